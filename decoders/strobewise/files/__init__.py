"""Files that a user names: read within bounds, written whole or not at all."""
