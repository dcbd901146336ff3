"""The limits between which a level is low, high or neither, in volts.

Source: DC characteristics of the CPU's product specification, from memory.
"""

from __future__ import annotations

INPUT_LOW_V, INPUT_HIGH_V = 0.8, 2.0  #: an input takes what is at most, at least this for low, for high
OUTPUT_LOW_V, OUTPUT_HIGH_V = 0.4, 2.4  #: a good output is at most, at least here
