"""Faults inside the CPU that its own pins do not show directly. A dead output of it is a line that is dead "at" the cpu."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from . import blame
from .parameters import DATA_BIT, RAIL
from .table import Effects, fault_kind

if TYPE_CHECKING:
    from ..plan import Plan


class CpuInputStuck(NamedTuple):
    """A bit of the CPU's data input buffer is stuck: the pins are right, the CPU's core is told otherwise."""

    bit: int
    level: str  #: "high" or "low"

    def put(self, plan: Plan) -> None:
        plan.faulty_board = True
        if self.level == "high":
            plan.defects.die_stuck_high |= 1 << self.bit
        else:
            plan.defects.die_stuck_low |= 1 << self.bit


class CpuOutputStuck(NamedTuple):
    """A bit of the CPU's data output driver is stuck: what others drive is right, what the CPU writes is not."""

    bit: int
    level: str  #: "high" or "low"

    def put(self, plan: Plan) -> None:
        plan.faulty_board = True
        if self.level == "high":
            plan.defects.driver_stuck_high |= 1 << self.bit
        else:
            plan.defects.driver_stuck_low |= 1 << self.bit


@fault_kind(
    "cpu-data-in-stuck",
    explanation="One bit of the CPU's own data input is stuck: the bus shows the right byte, the CPU acts on another one.",
    parameters=(DATA_BIT, RAIL),
    suspects=("cpu", "connection", "program"),
    lines=blame.data_line,
)
def cpu_data_in_stuck(bit: int, level: str) -> Effects:
    return (CpuInputStuck(bit, level),)


@fault_kind(
    "cpu-data-out-stuck",
    explanation="One bit of the CPU's data output is stuck: reads are right, everything that it writes has this bit wrong.",
    parameters=(DATA_BIT, RAIL),
    suspects=("cpu", "data_bus", "connection"),
    lines=blame.data_line,
)
def cpu_data_out_stuck(bit: int, level: str) -> Effects:
    return (CpuOutputStuck(bit, level),)
