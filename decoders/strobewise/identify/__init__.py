"""Which line is on which channel, by behaviour alone."""

from __future__ import annotations

from dataclasses import dataclass, field

from .buses import Solved, solve_buses
from .raw import SAME_T, Frame, Int, Raw, Words, find_clock, find_frame
from .roles import GROUPS, Role
from .sample import take_sample
from .slow_lines import find_slow_lines
from .strobes import find_strobes

__all__ = ["GROUPS", "Identified", "Role", "identify"]

EVENTS_MIN = 200  #: events from which a stretch holds some twenty machine cycles, as few as any line is told by
CLOCK_SURE, MREQ_SURE = 0.97, 0.97  #: confidence of a regular clock, and of a frame that most pulses fit: the others are named by it


@dataclass
class Identified:
    """What the behaviour of the channels says."""

    roles: list[Role] = field(default_factory=list)  #: the surest first; a channel has one at most
    program_share: float = 0.0  #: share of the instructions that agree under this order of the buses, 0 where it could not be tried
    instructions: int = 0  #: so many were tried

    def channel(self, line: str) -> int | None:
        """Return the channel of a line, None where none was found."""
        return next((role.channel for role in self.roles if role.line == line), None)


def identify(times: Int, words: Words, channels: int, sample_ticks: float, timescale_fs: int | None = None) -> Identified:
    """Name the channels of an unlabelled capture as far as their behaviour does.

    times: int64, shape (n,), ticks; words: uint64, shape (n,), bit k is channel k. sample_ticks: the sample interval.
    """
    if len(times) < EVENTS_MIN:
        return Identified()
    raw = Raw(times, words, channels, sample_ticks)
    clocks = find_clock(raw)
    frame = find_frame(raw)
    if frame is None:
        # Without requests nothing tells a clock from another counter: only a lone one is named.
        return Identified([Role(clocks[0][1], "CLK", 0.7)] if len(clocks) == 1 else [])
    named = {"MREQ": Role(frame.channel, "MREQ", MREQ_SURE)}
    for period, channel in clocks:
        if SAME_T[0] < period / frame.t < SAME_T[1]:
            named["CLK"] = Role(channel, "CLK", CLOCK_SURE)
            break
    taken = {role.channel for role in named.values()}
    named |= {role.line: role for role in find_strobes(raw, frame, taken)}
    return _with_buses(raw, frame, named, timescale_fs)


def _with_buses(raw: Raw, frame: Frame, named: dict[str, Role], timescale_fs: int | None) -> Identified:
    """Name what moves seldom and the buses, on the cycles that the strobes give."""
    sample = take_sample(raw, frame.t, {line: role.channel for line, role in named.items()}, timescale_fs)
    if sample is None or not named.keys() & {"RD", "M1"}:
        return _result(named, [])
    free = _free(raw, named)
    solved = solve_buses(sample, free, lambda counters, left: find_slow_lines(raw, frame, sample, counters, left))
    return _result(named | {role.line: role for role in solved.slow}, solved.roles(), solved)


def _free(raw: Raw, named: dict[str, Role]) -> list[int]:
    taken = {role.channel for role in named.values()}
    return [k for k in range(raw.channels) if k not in taken and len(raw.edges[k])]


def _result(named: dict[str, Role], buses: list[Role], solved: Solved | None = None) -> Identified:
    roles = sorted([*named.values(), *buses], key=lambda role: -role.confidence)
    if solved is None:
        return Identified(roles)
    return Identified(roles, solved.share, solved.instructions)
