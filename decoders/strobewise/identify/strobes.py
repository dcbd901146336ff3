"""Which channel is which strobe: every strobe has its place beside the pulses of /MREQ.

Source of the places: UM0080, timing figures, in T-states from the edges of /MREQ; the pins' delays nearly cancel.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..capture.distinct import median
from .raw import SPIKE_T, Flags, Frame, Int, Raw, Words
from .roles import Role

NEAR_T = 0.22  #: how far an edge may be from its place, in T-states, besides the sampling
NEAR_SAMPLES = 0.75  #: samples that the skew between two channels adds
PRESENT = 0.9  #: share of the requests that call for a strobe in which it must be: edges that two samples hide spoil some
PRESENT_WR = 0.75  #: the same for /WR, since a refresh behind an acknowledge is taken for a write as well
IN_TIME = 0.97  #: share of the pulses of /IORQ that must lie outside /MREQ with another strobe; one that only happens to keeps to less
IO_T_MOST = 4  #: T-states of the middle one: two and a half, and a wait or so
COVERS = 0.8  #: share of the strobes outside /MREQ that must have it: acknowledges of a dead /M1 have not
HOPELESS = 0.7  #: share of the falls in place below which the rises are not looked at: below PRESENT, and what /WR asks for
PULSES_MOST = 2.0  #: pulses of a strobe for each of /MREQ: input and output, outside it, are seldom as many; a clock makes four and more
ABSENT = 0.06  #: share of the others in which it may be


class Place(NamedTuple):
    """Where a strobe's edges are, in T-states after the edges of the request's /MREQ pulse."""

    line: str
    request: str  #: "fetch", "refresh" or "write"
    fall: float
    rise: float


PLACES = (
    Place("M1", "fetch", -0.5, 0.0),
    Place("RD", "fetch", 0.0, 0.0),
    Place("RFSH", "refresh", -0.5, 0.5),
)
WRITE = Place("WR", "write", 1.0, 0.0)


def find_strobes(raw: Raw, frame: Frame, taken: set[int]) -> list[Role]:
    """Name /M1, /RD, /RFSH, /WR and /IORQ as far as they move."""
    roles: list[Role] = []
    most = PULSES_MOST * len(frame.fall)
    free = [k for k in range(raw.channels) if k not in taken and 8 <= len(raw.lows[k].fall) <= most]
    words = raw.at(frame.points)
    scores = {(place.line, k): _score(raw, frame, place, k, words) for place in PLACES for k in free}
    for place in PLACES:
        best = max(free, key=lambda k: scores[place.line, k], default=None)
        if best is None or scores[place.line, best] < PRESENT:
            continue
        if any(scores[other.line, best] > scores[place.line, best] for other in PLACES):
            continue
        roles.append(Role(best, place.line, _sure(scores[place.line, best])))
        free.remove(best)
    named = {role.line: role.channel for role in roles}
    if "RD" in named:
        roles += _write(raw, frame, named["RD"], free)
    named = {role.line: role.channel for role in roles}
    rest = [k for k in range(raw.channels) if k not in taken and k not in named.values()]
    return roles + _io_request(raw, frame, named, rest)


def _sure(score: float) -> float:
    return round(min(0.98, score), 3)


def _near(edges: Int, wanted: Int, limit: float) -> Flags:
    """Say which of the wanted times have an edge no further than `limit` ticks away."""
    if not len(edges):
        return np.zeros(len(wanted), np.bool_)
    after = np.minimum(np.searchsorted(edges, wanted), len(edges) - 1)
    before = np.maximum(after - 1, 0)
    near: Flags = np.minimum(np.abs(edges[after] - wanted), np.abs(edges[before] - wanted)) <= limit
    return near


def _in_place(raw: Raw, frame: Frame, place: Place, channel: int, which: Flags) -> Flags:
    limit = NEAR_T * frame.t + NEAR_SAMPLES * raw.sample
    fall, rise = raw.lows[channel]
    falls = _near(fall, frame.fall[which] + int(place.fall * frame.t), limit)
    if float(np.mean(falls)) < HOPELESS:
        return falls  # most channels are no strobe at all
    return falls & _near(rise, frame.rise[which] + int(place.rise * frame.t), limit)


def _score(raw: Raw, frame: Frame, place: Place, channel: int, words: Words) -> float:
    """Return how well a channel does what a strobe must: 1 for always there and never elsewhere; below PRESENT no more than how far below.

    words: uint64 (n,), the levels at the frame's sample points.
    """
    which = frame.fetch if place.request == "fetch" else frame.refresh
    inner = slice(1, -1)  # what the edges of the stretch cut off does not count
    here = _in_place(raw, frame, place, channel, which)[inner]
    if not len(here) or float(np.mean(here)) < PRESENT:
        return float(np.mean(here)) if len(here) else 0.0
    elsewhere = (words & np.uint64(1 << channel) == 0) & ~which
    if place.line == "RD":
        elsewhere &= frame.refresh  # some data accesses are reads
    elif place.line == "RFSH":
        elsewhere &= frame.fetch  # the refresh of an acknowledge looks like a data access
    others = int(np.count_nonzero(frame.refresh if place.line == "RD" else frame.fetch if place.line == "RFSH" else ~which))
    false = int(np.count_nonzero(elsewhere)) / max(1, others)
    return float(np.mean(here)) - (false if false > ABSENT else 0.0)


def _write(raw: Raw, frame: Frame, rd: int, free: list[int]) -> list[Role]:
    """Name /WR: where a data access is no read."""
    reads = ~raw.level(rd, frame.points)
    write = frame.data & ~reads
    write[:1] = write[-1:] = False
    best, score = None, 0.0
    if int(write.sum()) < 4:
        return []
    for channel in free:
        here = float(np.mean(_in_place(raw, frame, WRITE, channel, write)))
        low = ~raw.level(channel, frame.points[reads])
        false = float(np.mean(low)) if len(low) else 0.0
        if here - false > score and here >= PRESENT_WR and false <= ABSENT:
            best, score = channel, here - false
    # The refresh behind an acknowledge is taken for a data access: a few of them have no /WR.
    return [] if best is None else [Role(best, "WR", _sure(min(0.97, score + 0.1)))]


def _io_request(raw: Raw, frame: Frame, named: dict[str, int], rest: list[int]) -> list[Role]:
    """Name /IORQ: low only while /MREQ is high, and with /RD, /WR or /M1 low."""
    partners = [named[line] for line in ("RD", "WR", "M1") if line in named]
    best: tuple[float, int] | None = None
    for channel in rest:
        fall, rise = raw.lows[channel]
        if not partners:
            continue
        fall, rise = (edge[rise - fall > SPIKE_T * frame.t] for edge in (fall, rise))
        if not len(fall):
            continue
        widths = (rise - fall) / frame.t
        middle = fall + (rise - fall) // 2
        word = raw.at(middle)
        alone = (word >> np.uint64(frame.channel) & np.uint64(1)).astype(np.bool_)
        joined = np.zeros(len(fall), np.bool_)
        for partner in partners:
            joined |= word >> np.uint64(partner) & np.uint64(1) == 0
        good = alone & joined & (widths > 1.0) & (widths < 12)
        # Short strobes of nothing else come so regularly: /RD, /WR and /M1 outside /MREQ must all find theirs.
        share = float(np.mean(good))
        if share >= IN_TIME and median(widths) < IO_T_MOST and _covers(raw, frame, channel, partners):
            best = max(best or (0.0, 0), (min(0.97, 0.8 + 0.06 * len(fall)), channel))
    return [] if best is None else [Role(best[1], "IORQ", best[0])]


def _covers(raw: Raw, frame: Frame, channel: int, partners: list[int]) -> bool:
    """Say whether most of the pulses of /RD, /WR and /M1 outside /MREQ have this channel low in their middle."""
    inside = total = 0
    for partner in partners:
        fall, rise = raw.lows[partner]
        late = raw.at(fall + (rise - fall) * 3 // 4)
        outside = (late >> np.uint64(frame.channel) & np.uint64(1)).astype(np.bool_)
        total += int(outside.sum())
        inside += int(np.count_nonzero(outside & (late >> np.uint64(channel) & np.uint64(1) == 0)))
    return total > 0 and inside >= COVERS * total
