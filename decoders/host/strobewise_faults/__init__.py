"""
Faults of a Z80 computer's bus, as they happen: stack it on "strobewise_cycles".

The rules of strobewise judge the cycles stretch by stretch, and speak where a strobe does not do what its cycles call for; lines that hold
the CPU (/RESET, /WAIT, /BUSREQ) are reported while the bus stands still, and what only the whole capture shows at its end. Rules that need
the whole capture at once (memory, address and data lines) run in "strobewise diagnose".

For an expansion device that pages on opcode fetches, give its trigger addresses ("0x0058 0x01d4", separated by blanks or semicolons) and
map the line that it answers on; each trigger, each answer, and each trigger without an answer is then shown.
"""

from .pd import Decoder

__all__ = ["Decoder"]
