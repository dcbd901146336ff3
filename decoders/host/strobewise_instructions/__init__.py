"""
The instructions that a Z80 CPU ran: stack it on "strobewise_cycles", whose data bus must be mapped.

Each instruction stands with its address, mnemonic and T-states; where it took another number than the manual gives, that is said. Responses
to interrupts, stays in HALT, resets, bus grants, and cycles that fit no instruction are shown as such. It is the listing that
"strobewise listing" writes, with an instruction shown some twenty cycles after it ran.
"""

from .pd import Decoder

__all__ = ["Decoder"]
