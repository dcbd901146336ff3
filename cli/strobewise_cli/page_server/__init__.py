"""The case as a page, served to this machine alone."""
