"""Names of channels -> lines of the CPU: maps given by hand, spellings known, buses told by their numbers."""
