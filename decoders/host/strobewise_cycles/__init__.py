"""
The machine cycles of a Z80 CPU, rebuilt from its bus: opcode fetches, memory and I/O accesses, interrupt acknowledges, bus grants.

Clip what you can reach. /MREQ alone already shows cycles; with /M1 fetches are told from reads with certainty; /IORQ, /RD and /WR name
the rest; address and data fill them in. A strobe that is dead is noticed and done without: fetches are then known by the refresh behind
them and marked "(inferred)". CLK is not needed, it makes starts and T-states exact. Map every channel by name: a host that is given none,
or a wrong name, maps by position.

Each cycle comes out twice. When its strobes have ended: kind, address, data ("Machine cycles"), and the wait states that /WAIT asked for
("Waits"). When the next one has begun: its length in T-states and what only that showed, as a halt or an NMI response ("Cycle lengths").
Both begin at the rising clock edge of T1, or at the best estimate of it.

Other decoders can be stacked on this one: see docs/reference/plugin-stream.md of strobewise.
"""

from .pd import Decoder

__all__ = ["Decoder"]
