"""Is a capture one with a sample for each clock, which edge, and how many ticks of the file lie between two samples."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Optional

import numpy as np

from ...bus.clocked import EDGES, TICKS_PER_T
from ...bus.lines import MASK
from ...bus.semantics import TRANSFERS_A_FETCH
from ...bus.units import FS_PER_S
from ..grid import estimate_sample_interval
from ..records import Times, Words
from .retiming import SHAPES, Asserted, Flags, Int, Samples

CASES_MIN = 20  #: transfers with a refresh behind them that must be seen
FITS = 0.98  #: share of them that must look as the table says; a capture not taken by the clock loses each second refresh gap
CONTRADICTED = 0.5  #: share below which a strobe speaks against it: one that fails now and then still fits more often
LIKE_ITSELF = 0.9  #: share of its pulses that must be a fetch's for /M1 to speak for the edge, or against it, alone
ACKNOWLEDGES_MOST = 0.5  #: share of the cycles with /M1 that may be acknowledges: the response fetches one instruction at least (UM0080)
FETCHES_LEAST = 0.5 / (1 + TRANSFERS_A_FETCH)  #: share of the reads that must be fetches: half of the least of any instruction
WHOLE_FROM = 8  #: samples into the capture from which on a transfer is seen from its beginning
STEPS_MIN = 16  #: steps from one change to the next whose common divisor is no chance
REST_SAMPLES = 64  #: samples in which CLK must not move to be called at rest
_CLK, _M1, _MREQ, _IORQ, _RD, _WR, _RFSH = (np.uint16(MASK[name]) for name in ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH"))


def step_of(times: Times) -> float:
    """Return the ticks of the file between two samples.

    times: those at which something changed, from the start; the last one need not be a sample. An export may round them to whole ticks.
    Of a bus that stands still too few change to tell: then a tick is taken for a sample.
    """
    steps = np.diff(times[:-1])
    if len(steps) < STEPS_MIN:
        return 1.0
    common, smallest = int(np.gcd.reduce(steps)), int(steps.min())
    if common < smallest:
        grid = estimate_sample_interval(times)
        if grid is not None and abs(grid.interval - smallest) < 1.0:
            return grid.interval
    return float(common)


def clock_moves(words: Words, captured: frozenset[str]) -> bool:
    """Say whether these samples show CLK move: they were not taken by it then."""
    clock = words.view("<u2")[0::4] & _CLK
    return "CLK" in captured and bool((clock != clock[:1]).any())


def find_edge(samples: Samples, captured: frozenset[str]) -> Optional[str]:
    """Return the clock edge at which these samples were taken, where the strobes show it plainly; None otherwise.

    It is plain where CLK is at rest or was not captured, and nearly all transfers end as the table of the bus says: between a fetch and
    its refresh /MREQ rests in exactly one sample, or in none, and is asserted in exactly one more. Where CLK is seen at rest, most will do:
    then the clock took samples while strobes moved, which is told of them afterwards.
    """
    if "MREQ" not in captured or not captured & {"M1", "RFSH", "RD"} or len(samples.number) < REST_SAMPLES:
        return None
    if clock_moves(samples.words, captured):
        return None
    shares = {edge: fit(samples, captured, edge) or 0.0 for edge in EDGES}
    best = max(EDGES, key=lambda edge: shares[edge])
    enough = CONTRADICTED if "CLK" in captured else FITS
    return best if shares[best] >= enough and not _by_chance(Asserted(samples, captured), best) else None


def _by_chance(seen: Asserted, edge: str) -> bool:
    """Say whether what fits does so by chance, as in a dull program whose edges all stand in one phase.

    Either /M1 and /MREQ fit, but /MREQ ends with no read, however long that waits; or /RFSH fits, but neither /M1 nor /RD does, with
    /MREQ and without, so that no dead strobe is to blame. A strobe that fails now and then has many that fit.
    """
    _, ends, fetches, reads = _fits(seen, edge)
    if len(fetches) < CASES_MIN:
        return False
    if fetches.mean() >= FITS:
        lone = _lone_reads(seen)
        return len(lone) >= CASES_MIN and bool(lone.mean() < CONTRADICTED)
    if min(len(ends), len(reads)) < CASES_MIN:
        return False
    if _fitting(_m1_alive(seen)) < LIKE_ITSELF:
        return _fitting(_reads_whole(seen, edge)) < CONTRADICTED  # a /M1 that moves as it likes is no witness
    return bool(max(ends.mean(), fetches.mean(), reads.mean()) < CONTRADICTED)


def _fitting(flags: Flags) -> float:
    """Return the share of cases that fit; of none nothing speaks against it."""
    return float(flags.mean()) if len(flags) else 1.0


def _m1_alive(seen: Asserted) -> Flags:
    """Say of each refresh whether /M1 was asserted before it and rests in it, a sample early or late."""
    at = seen.index[np.flatnonzero(seen.begins & _RFSH)]
    found: Flags = (seen.at(at - 2) & _M1 != 0) & (seen.at(at + 1) & _M1 == 0)
    return found


def _reads_whole(seen: Asserted, edge: str) -> Flags:
    """Say of each end of /RD in a request whether /MREQ began and ended with it, or goes on as a refresh, however long it waited."""
    at = np.flatnonzero((seen.ends & _RD != 0) & (seen.before & _MREQ != 0))
    refreshes = seen.shows(_MREQ, (True, *SHAPES[edge]), seen.index[at] - 1)
    found: Flags = refreshes | ((seen.ends[at] & _MREQ != 0) & (seen.run_until(_RD, at) == seen.run_until(_MREQ, at)))
    return found


def _lone_reads(seen: Asserted) -> Flags:
    """Say of each read that is no fetch whether /MREQ ends with its /RD, as it must at either edge (UM0080)."""
    at = np.flatnonzero((seen.ends & _RD != 0) & (seen.before & (_MREQ | _M1) == _MREQ))
    found: Flags = seen.ends[at] & _MREQ != 0
    return found


def fit(samples: Samples, captured: frozenset[str], edge: str) -> Optional[float]:
    """Return the share of transfers with a refresh that look as samples at this edge must, None from too few; by what tells it best."""
    seen = Asserted(samples, captured)
    return max([float(fits.mean()) for fits in _fits(seen, edge) if len(fits) >= CASES_MIN], default=None)


def fit_as_told(samples: Samples, captured: frozenset[str], edge: str) -> Optional[float]:
    """Return what :func:`fit` does; where nothing but a /M1 that moves as it likes could tell, the share by the lengths of /MREQ."""
    share = fit(samples, captured, edge)
    if share is None or share >= CONTRADICTED or captured & {"RFSH", "RD"} or "M1" not in captured:
        return share
    seen = Asserted(samples, captured)
    starts, ends = np.flatnonzero(seen.begins & _M1), np.flatnonzero(seen.ends & _M1)
    ends = ends[ends > starts[0]] if len(starts) else ends[:0]
    requests = np.flatnonzero(seen.begins & _MREQ)
    held = np.searchsorted(requests, ends) - np.searchsorted(requests, starts[: len(ends)])
    if len(held) and np.count_nonzero(held == 1) >= LIKE_ITSELF * len(held):
        return share
    return _by_length(seen, edge)


def _by_length(seen: Asserted, edge: str) -> float:
    """Return the share of the pulses of /MREQ, of those that tell the edge, that are as long as they can be there.

    At the falling edge a pulse of one sample is a refresh or the fetch before it, with one sample between the two; at the rising edge,
    where a fetch and its refresh show as one pulse, none is so short.
    """
    falls, rises = np.flatnonzero(seen.begins & _MREQ), np.flatnonzero(seen.ends & _MREQ)
    rises = rises[rises > falls[0]] if len(falls) else rises[:0]
    falls = falls[: len(rises)]
    if len(falls) < CASES_MIN:
        return 0.0
    short = seen.index[rises] - seen.index[falls] == 1
    if edge == "rising":
        return float(1.0 - short.mean())
    near = np.append(seen.index[falls[1:]] - seen.index[rises[:-1]] == 1, False)  # one sample to the next pulse
    before_refresh = near & np.append(short[1:], False)
    refresh = short & np.concatenate([[False], near[:-1]])
    told = (before_refresh | refresh)[short]
    return float(told.mean()) if len(told) >= CASES_MIN else 0.0


def whole(samples: Samples, captured: frozenset[str], edge: str) -> Optional[float]:
    """Return the smallest share of those strobes that tell the edge at all: where it is low, single samples show other levels."""
    shares = [float(fits.mean()) for fits in _fits(Asserted(samples, captured), edge) if len(fits) >= CASES_MIN]
    return min((share for share in shares if share >= CONTRADICTED), default=None)


def _fits(seen: Asserted, edge: str) -> Iterator[Flags]:
    """Say of each transfer that a refresh follows whether it looks as it must: as /RFSH, /M1 and /RD mark it, and as they do without /MREQ.

    One of them is enough: where the analyser ran by a clock of its own none fits so often, and a dead strobe fits nothing.
    """
    first, last = seen.index[0] + WHOLE_FROM, seen.index[-1]

    def refreshes(at: Int) -> Flags:
        return seen.shows(_MREQ, (True, *SHAPES[edge]), seen.index[at] - 1)

    def acknowledged(at: Int) -> Flags:
        found: Flags = seen.ends[at] & _IORQ != 0
        # Behind each acknowledge comes a fetch at least: a lead that ends with all of them is that of /RD, or touches /M1's.
        return found if np.count_nonzero(found) <= ACKNOWLEDGES_MOST * len(found) else np.zeros(len(at), np.bool_)

    def ends(flags: Flags) -> Int:
        at = np.flatnonzero(flags)
        seen_whole: Int = at[(seen.index[at] >= first) & (seen.index[at] + 2 < last)]
        return seen_whole

    at = ends(seen.begins & _RFSH != 0)
    brief = seen.run_from(_RFSH, at) == 2
    yield (refreshes(at) | acknowledged(at)) & brief
    # /M1 ends with /RD where the refresh begins; at the falling edge /RD was first seen one sample after /M1, at the rising edge with it.
    later = seen.run_until(_M1, at) - seen.run_until(_RD, at)
    fetched = (seen.ends[at] & (_M1 | _RD) == _M1 | _RD) & (later == (1 if edge == "falling" else 0))
    yield (fetched | acknowledged(at)) & brief
    at = ends(seen.ends & _M1 != 0)
    at = at[_requested(seen, at)]
    # /MREQ falls half a T-state behind /M1: one sample later at the falling edge, in the same one at the rising edge, however many wait.
    begun = seen.shows(_MREQ, (False, True) if edge == "falling" else (True,), seen.index[at] - seen.run_until(_M1, at))
    yield (refreshes(at) & begun) | acknowledged(at)
    at = ends((seen.ends & _RD != 0) & (seen.before & _MREQ != 0))
    width = seen.run_until(_RD, at)
    fetch = refreshes(at) & (seen.at(seen.index[at] + 1) & (_RD | _WR) == 0)
    fits = (fetch & (width == (1 if edge == "falling" else 2))) | (~fetch & (width == 2) & (seen.ends[at] & _MREQ != 0))
    yield fits if np.count_nonzero(fetch) >= FETCHES_LEAST * len(at) else np.zeros(len(at), np.bool_)


def _requested(seen: Asserted, at: Int) -> Flags:
    """Say of each end of /M1 whether anything was requested while it was low: an acknowledge without /IORQ shows no request."""
    requests = np.flatnonzero(seen.begins & (_MREQ | _IORQ))
    last = requests[np.maximum(np.searchsorted(requests, at) - 1, 0)] if len(requests) else np.zeros(len(at), np.int64)
    found: Flags = (seen.index[at] - seen.index[last] <= seen.run_until(_M1, at)) | (seen.before[at] & (_MREQ | _IORQ) != 0)
    return found if len(requests) else np.zeros(len(at), np.bool_)


def retimed_tick_fs(step: float, timescale_fs: int, clock_hz: Optional[float]) -> int:
    """Return the length of a tick of the retimed axis: by the clock where it is given, else so that the file's own times stay.

    At least 1 fs: a file whose samples are closer than that has no axis worth keeping.
    """
    period_fs = FS_PER_S / clock_hz if clock_hz else step * timescale_fs
    return max(1, round(period_fs / TICKS_PER_T))
