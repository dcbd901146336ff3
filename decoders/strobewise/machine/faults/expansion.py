"""Faults of the expansion device and of how the host answers it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Sequence, Tuple

from ...errors import ScenarioError
from ..sources import Button
from .lines import LineFailing
from .parameters import AFTER, LINES, integer, number
from .table import Effects, fault_kind

if TYPE_CHECKING:
    from ..device import Pager
    from ..plan import Plan

_BOUNCE_EVERY, _BOUNCE_FOR = 40, 20  # T-states; at a few MHz some microseconds, as a push button's contacts do. Common practice.


def _pager(plan: Plan) -> Pager:
    """Return the device. Raises ScenarioError where the machine has none: such a fault would do nothing."""
    if plan.pager is None:
        raise ScenarioError("the machine has no expansion device that could fail", "fault", "give the machine a [[paging]] table")
    return plan.pager


class DeviceSilent(NamedTuple):
    """The device never pages itself in."""

    def put(self, plan: Plan) -> None:
        _pager(plan).silent = True


class DeviceStays(NamedTuple):
    """The device, once paged in, never leaves."""

    def put(self, plan: Plan) -> None:
        _pager(plan).releases = False


class DeviceLeavesEarly(NamedTuple):
    """The device leaves in the middle of its work."""

    fetches: int  #: after so many

    def put(self, plan: Plan) -> None:
        _pager(plan).patience = self.fetches


class DisableIgnored(NamedTuple):
    """The host's ROM stays on when the device asks it to go."""

    def put(self, plan: Plan) -> None:
        _pager(plan)
        plan.faulty_board = True
        plan.defects.rom_ignores_disable = True


class ButtonBounces(NamedTuple):
    """One press of the device's NMI button gives several edges."""

    at_s: float
    times: int

    def put(self, plan: Plan) -> None:
        first = plan.t_states(self.at_s)
        plan.sources.append(Button("NMI", [(first + _BOUNCE_EVERY * index, _BOUNCE_FOR) for index in range(self.times)]))


@fault_kind(
    "device-silent",
    explanation="The expansion device sees its triggers and answers nothing.",
    suspects=("expansion_device", "connection"),
    lines=("ROMDIS",),
)
def device_silent() -> Effects:
    return (DeviceSilent(),)


@fault_kind(
    "device-never-leaves",
    explanation="The expansion device pages itself in and never out again.",
    suspects=("expansion_device",),
    lines=("ROMDIS",),
)
def device_never_leaves() -> Effects:
    return (DeviceStays(),)


@fault_kind(
    "device-leaves-early",
    explanation="The expansion device pages itself out after a few fetches, in the middle of its work.",
    parameters=(integer("fetches", 1, 1000, 3),),
    suspects=("expansion_device",),
    lines=("ROMDIS",),
)
def device_leaves_early(fetches: int) -> Effects:
    return (DeviceLeavesEarly(fetches),)


@fault_kind(
    "rom-disable-ignored",
    explanation="The host's ROM stays on although the device asks it to go: both drive the data bus, and who pulls low wins.",
    suspects=("glue", "connection", "rom"),
    lines=("ROMDIS",),
)
def rom_disable_ignored() -> Effects:
    return (DisableIgnored(),)


@fault_kind(
    "device-button-bounces",
    explanation="The device's NMI button bounces: one press gives several edges.",
    parameters=(number("at_s", 0, 3600, 0.001), integer("times", 2, 20, 4)),
    suspects=("expansion_device",),
    lines=("NMI",),
    state="any",
)
def device_button_bounces(at_s: float, times: int) -> Effects:
    return (ButtonBounces(at_s, times),)


class ContactsOxidised(NamedTuple):
    """Several contacts of the port's edge connector come and go together, in bursts. Times in seconds."""

    lines: Tuple[str, ...]
    after_s: float
    ramp_s: float
    burst_s: float

    def put(self, plan: Plan) -> None:
        _pager(plan)
        for name in self.lines:
            LineFailing(name, "float", "connector", self.after_s, self.ramp_s, self.burst_s).put(plan)


@fault_kind(
    "edge-oxidised",
    explanation="""The edge connector of the expansion port is oxidised: several of its contacts come and go. The board is well; the device
    sees other addresses, data or strobes than the CPU gives, now and then.""",
    parameters=(LINES, AFTER, number("ramp_s", 1e-6, 3600, 0.002), number("burst_s", 1e-6, 60, 5e-5)),
    suspects=("connection", "expansion_device"),
    lines=lambda lines, **_: tuple(lines),
    state="any",
)
def edge_oxidised(lines: Sequence[str], after_s: float, ramp_s: float, burst_s: float) -> Effects:
    return (ContactsOxidised(tuple(lines), after_s, ramp_s, burst_s),)
