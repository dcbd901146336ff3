"""Findings and line states -> what they amount to."""
