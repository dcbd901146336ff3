"""Machine profiles in TOML, the generic ones that come along, and what the user says of a capture."""
