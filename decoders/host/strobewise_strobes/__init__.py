"""
The machine cycles of a Z80 CPU by its control lines alone: "strobewise_cycles" without address and data.

The host takes time for every channel that a decoder offers, mapped or not. Where few leads are clipped, or only the faults are wanted, this
one says the same of each cycle but what was on the buses. Its options are those of "strobewise_cycles", and so are its rows; stack
"strobewise_faults" on it. Instructions need the data bus, and paging the address bus: use "strobewise_cycles" for those.
"""

from .pd import Decoder

__all__ = ["Decoder"]
