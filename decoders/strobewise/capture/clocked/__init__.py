"""Captures with one sample for each clock of the CPU, put on a time axis that the engines can read."""
