"""A scope's CSV: times, volts or levels, read in blocks."""
