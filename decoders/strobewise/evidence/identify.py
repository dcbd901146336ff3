"""Which line is on which channel, by behaviour alone: for captures whose channels have no names.

/MREQ gives itself away by the pair of pulses of every fetch (1.5 T low, 0.5 T high, 1 T low: UM0080, op-code fetch), which tells
fetches, refreshes and data accesses apart; what every other channel does in those names it. The refresh counter names A0 to A6.
The rest of the buses is told apart as groups: an address stands before its request and stays through it, data arrive in the middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..bus.calibration import clock_period, t_from_mreq
from ..bus.semantics import REFRESH_GAP_MAX, REFRESH_WIDTH_MAX

Int = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

REQUESTS_MIN = 60  #: pulses of a candidate for /MREQ
FETCHES_MIN = 20
REGULAR = 0.35  #: largest deviation of a clock's periods from the middle one, as a share of it
ALWAYS, NEVER = 0.95, 0.05
SURE = 0.95


@dataclass(frozen=True)
class Role:
    """What a channel's behaviour fits."""

    channel: int  #: index among the channels looked at
    line: str  #: a line's name, or a group: "data", "upper address"
    confidence: float


@dataclass
class _Framework:
    """What the channel taken for /MREQ says of the time."""

    channel: int
    t: float
    points: Int  #: sample point of each request, ticks
    refresh: Flags
    fetch: Flags
    fall: Int
    rise: Int

    @property
    def data(self) -> Flags:
        return ~self.refresh & ~self.fetch


def identify(times: Int, words: npt.NDArray[np.uint64], channels: int, sample_ticks: float) -> list[Role]:
    """Name the channels of an unlabelled capture as far as their behaviour does.

    times: int64, shape (n,), ticks; words: uint64, shape (n,), bit k is channel k. Returns the roles found, surest first.
    """
    if len(times) < 200:
        return []
    edges = [np.flatnonzero((words[1:] ^ words[:-1]) >> np.uint64(k) & np.uint64(1)) + 1 for k in range(channels)]
    roles: list[Role] = []
    clock = _clock(times, edges)
    if clock is not None:
        roles.append(Role(clock, "CLK", 0.97))
    frame = _framework(times, words, edges, clock, sample_ticks)
    if frame is None:
        return roles
    roles.append(Role(frame.channel, "MREQ", 0.97))
    at = np.searchsorted(times, frame.points, "right") - 1
    taken = {frame.channel} | ({clock} if clock is not None else set())
    levels = {k: (words[at] >> np.uint64(k) & np.uint64(1)).astype(np.bool_) for k in range(channels) if k not in taken}
    roles += _strobes(levels, frame)
    named = taken | {role.channel for role in roles}
    io = _io_request(times, edges, words, frame, named)
    if io is not None:
        roles.append(io)
        named.add(io.channel)
    named |= {role.channel for role in roles}
    moving = {k: v for k, v in levels.items() if k not in named and len(edges[k]) >= 8}
    roles += _buses(moving, {k: times[edges[k]] for k in moving}, frame)
    return sorted(roles, key=lambda role: -role.confidence)


def _clock(times: Int, edges: list[Int]) -> int | None:
    """Return the channel whose edges come as regularly as a clock's, the fastest of them."""
    best, shortest = None, 0.0
    for channel, at in enumerate(edges):
        if len(at) < 128:
            continue
        steps = np.diff(times[at[::2]])
        middle = float(np.median(steps))
        if np.mean(np.abs(steps - middle) <= REGULAR * middle) < 0.98:
            continue
        if best is None or middle < shortest:
            best, shortest = channel, middle
    return best


def _pulses(times: Int, words: npt.NDArray[np.uint64], at: Int, channel: int) -> list[tuple[int, int]]:
    """Return a channel's low pulses."""
    if not len(at):
        return []
    skip = int(bool(words[at[0]] >> np.uint64(channel) & np.uint64(1)))  # the first edge rises: its pulse began before the capture
    falls, rises = at[skip::2], at[skip + 1 :: 2]
    return list(zip(times[falls[: len(rises)]].tolist(), times[rises].tolist(), strict=True))


def _framework(
    times: Int, words: npt.NDArray[np.uint64], edges: list[Int], clock: int | None, sample_ticks: float
) -> _Framework | None:
    """Find the channel whose low pulses come in the pairs of a fetch, and sort its requests by them."""
    period = clock_period(times[edges[clock][::2]].tolist()) if clock is not None else None
    best: _Framework | None = None
    best_fit = 0.0
    for channel, at in enumerate(edges):
        pulses = _pulses(times, words, at, channel) if channel != clock else []
        if len(pulses) < REQUESTS_MIN:
            continue
        t = t_from_mreq(pulses[:512], sample_ticks)
        if t is None or (period is not None and not 0.75 < t / period < 1.3):
            continue
        fall, rise = np.array(pulses, np.int64).T
        refresh = np.zeros(len(fall), np.bool_)
        refresh[1:] = (fall[1:] - rise[:-1] < REFRESH_GAP_MAX * t) & (rise[1:] - fall[1:] < REFRESH_WIDTH_MAX * t)
        fetch = np.zeros(len(fall), np.bool_)
        fetch[:-1] = refresh[1:]
        widths = (rise - fall) / t
        part = widths % 1.0
        fits = np.where(refresh, np.abs(widths - 1.0) < 0.45, (part < 0.35) | (part > 0.65) | (np.abs(part - 0.5) < 0.3))
        fit = float(np.mean(fits)) * min(1.0, 4 * float(np.mean(refresh)))
        # Of several that fit, /MREQ has the most pulses: the other strobes only go with some of them.
        better = fit > best_fit + 0.1 or (fit > best_fit - 0.1 and best is not None and len(fall) > len(best.fall))
        if int(fetch.sum()) >= FETCHES_MIN and (best is None or better):
            best, best_fit = _Framework(channel, t, fall + ((rise - fall) * 3 >> 2), refresh, fetch, fall, rise), fit
    return best if best_fit >= 0.8 else None


def _strobes(levels: dict[int, Flags], frame: _Framework) -> list[Role]:
    """Name /M1, /RFSH, /RD and /WR by when they are low."""
    low = {
        k: tuple(float(np.mean(~v[which])) if which.any() else 0.0 for which in (frame.fetch, frame.refresh, frame.data))
        for k, v in levels.items()
    }
    has_data = int(frame.data.sum()) >= 8
    found: dict[str, list[tuple[float, int]]] = {"M1": [], "RFSH": [], "RD": [], "WR": []}
    for k, (fetch, refresh, data) in low.items():
        if fetch >= ALWAYS and refresh <= NEVER:
            found["M1" if data <= NEVER else "RD"].append((fetch - refresh - (data if data <= NEVER else 0.0), k))
        elif fetch <= NEVER and refresh >= ALWAYS and data <= 0.3:  # the refresh of an acknowledge looks like a data access here
            found["RFSH"].append((refresh - fetch - data, k))
    if found["RD"]:
        reads = levels[max(found["RD"])[1]][frame.data]
        for k, (fetch, refresh, data) in low.items():
            if fetch <= NEVER and refresh <= NEVER and data > NEVER:
                found["WR"].append((float(np.mean(levels[k][frame.data] != reads)), k))
        found["WR"] = [entry for entry in found["WR"] if entry[0] >= 0.75]
    sure = {"M1": 0.97 if has_data else 0.6, "RFSH": 0.97, "RD": 0.9, "WR": 0.95}
    return [Role(max(entries)[1], line, sure[line]) for line, entries in found.items() if entries]


def _io_request(
    times: Int, edges: list[Int], words: npt.NDArray[np.uint64], frame: _Framework, named: set[int]
) -> Role | None:
    """Name /IORQ: low now and then for about 2.5 T, never while /MREQ is."""
    mreq = np.uint64(frame.channel)
    for channel, at in enumerate(edges):
        pulses = _pulses(times, words, at, channel) if channel not in named else []
        if len(pulses) < 3:
            continue
        widths = np.array([(rise - fall) / frame.t for fall, rise in pulses])
        middles = np.searchsorted(times, [(fall + rise) // 2 for fall, rise in pulses], "right") - 1
        apart = (words[middles] >> mreq & np.uint64(1)).astype(np.bool_)
        if apart.all() and float(np.mean((widths > 1.1) & (widths < 8))) >= ALWAYS and float(np.median(widths)) < 4:
            return Role(channel, "IORQ", 0.85)
    return None


def _buses(levels: dict[int, Flags], edges: dict[int, Int], frame: _Framework) -> list[Role]:
    """Name A0 to A6 by the refresh counter; tell upper address lines and data lines apart by when they change."""
    roles: list[Role] = []
    left = {k: v[frame.refresh] for k, v in levels.items()}
    lower = np.ones(max(0, int(frame.refresh.sum()) - 1), np.bool_)
    for bit in range(7):
        best, fit = None, 0.0
        for k, values in left.items():
            steps = values[1:] != values[:-1]
            agrees = float(np.mean(steps == lower)) if len(steps) else 0.0
            if agrees > fit and steps.any():
                best, fit = k, agrees
        if best is None or fit < SURE or int(lower.sum()) < 2:
            break
        roles.append(Role(best, f"A{bit}", min(0.97, fit)))
        lower = lower & left.pop(best)[:-1]  # the next bit changes when this one, too, was high
    for k in left:
        inside = _share_inside(edges[k], frame)
        if inside >= 0.25:
            roles.append(Role(k, "data", min(0.9, 0.5 + inside)))  # data arrive while the request is under way
        elif inside <= 0.05 and len(edges[k]) >= 20:
            roles.append(Role(k, "upper address", 0.7))  # an address stands before the request and stays through it
    return roles


def _share_inside(edges: Int, frame: _Framework) -> float:
    """Return the share of a channel's edges that fall inside a transfer, away from its ends."""
    which = ~frame.refresh
    fall, rise = frame.fall[which], frame.rise[which]
    at = np.maximum(np.searchsorted(fall, edges, "right") - 1, 0)
    margin = 0.2 * frame.t
    return float(np.mean((edges > fall[at] - margin) & (edges < rise[at] - margin)))
