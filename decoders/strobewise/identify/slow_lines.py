"""Which channel is /HALT, /INT, /NMI, /WAIT, /RESET, /BUSREQ or /BUSACK: lines that move seldom, each with consequences of its own.

Source of the consequences: UM0080 (halt, interrupt, wait, bus request and reset).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..bus.model import KIND_INDEX
from ..bus.semantics import RESET_T
from .program_fit import FETCH, WRITE
from .raw import SPIKE_T, Flags, Frame, Int, Raw
from .roles import Role
from .sample import Sample

ACK = KIND_INDEX["interrupt_acknowledge"]
PULSES_MAX = 4000  #: edges of a line that still moves seldom; a strobe has more in any capture of use
NOT_ALWAYS = 0.99  #: share of the requests up to which a line that is low is no line at rest
SELDOM = 0.5  #: the same for /INT, which rests for most of the time where it is answered
LONGER_T = 0.6  #: T-states by which a wait makes a request longer: one, and what sampling hides
WAITS_WITHIN, WAITS_LONGER = 0.8, 0.95  #: share of the pulses of /WAIT inside requests, and of these that make them longer
HALT_FETCHES = 4  #: fetches of one address in a row before a line that is low all the while is taken for /HALT
GRANT_T = (0.2, 60.0)  #: T-states from request to grant
RELEASE_T = (0.2, 8.0)  #: T-states from the end of the request to the end of the grant
RESETS_MAX = 20  #: pulses of /RESET in a capture; a machine that is reset more often runs no program to tell by
RESET_TO_FETCH_T = 12.0  #: T-states from the end of /RESET to the first fetch: two clocks (UM0080), and a margin
NMI_T = 80.0  #: T-states within which an NMI is answered
NMI_LOW_BITS = 0x66  #: of the address that an NMI calls, 0066h (UM0080)
WAITS_MIN = 4  #: pulses of /WAIT from which what follows them is no chance


class _Spans(NamedTuple):
    """Stretches at the low level, those cut off by the ends of the capture included; ticks."""

    start: Int
    end: Int


def find_slow_lines(raw: Raw, frame: Frame, sample: Sample, counters: list[int], free: list[int]) -> list[Role]:
    """Name the lines that move seldom. counters: the channels of A0, A1, ... as far as they are known."""
    spans = {k: _low_spans(raw, k, SPIKE_T * frame.t) for k in free if 1 <= len(raw.edges[k]) <= PULSES_MAX}
    spans = {k: span for k, span in spans.items() if len(span.start)}
    low = sum(
        ((sample.at_address >> np.uint64(k) & np.uint64(1)).astype(np.int64) << bit for bit, k in enumerate(counters)),
        np.zeros(len(sample.kind), np.int64),
    )
    roles: list[Role] = []
    for role in (
        *_grants(frame, sample, spans), _halt(sample, spans, low, len(counters)), _interrupt(sample, spans), _waits(raw, frame, spans),
        _reset(frame, sample, spans, low, len(counters)), _nmi(frame, sample, spans, low, len(counters)),
    ):  # fmt: skip
        if role is not None and role.channel in spans:
            roles.append(role)
            del spans[role.channel]
    return roles


def _low_spans(raw: Raw, channel: int, spike: float) -> _Spans:
    at = raw.edges[channel]
    before = np.r_[raw.times[0], raw.times[at]]
    after = np.r_[raw.times[at], raw.times[-1]]
    first_high = bool(raw.words[0] >> np.uint64(channel) & np.uint64(1))
    start, end = before[int(first_high) :: 2], after[int(first_high) :: 2]
    if len(start) > 1:  # gaps, then pulses, that only a spike explains
        keep = start[1:] - end[:-1] > spike
        start, end = start[np.r_[True, keep]], end[np.r_[keep, True]]
    return _Spans(start[end - start > spike], end[end - start > spike])


def _inside(spans: _Spans, when: Int) -> Flags:
    """Say which times fall into one of the spans."""
    at = np.searchsorted(spans.start, when, "right") - 1
    return (at >= 0) & (when < spans.end[np.maximum(at, 0)])


def _grants(frame: Frame, sample: Sample, spans: dict[int, _Spans]) -> list[Role]:
    """Find the pair of /BUSREQ and /BUSACK: one follows the other down and up, and nothing of the CPU's is seen in between."""
    fetches = sample.fall[sample.kind == FETCH]
    for ack, granted in spans.items():
        if not len(granted.start) or _inside(granted, fetches).any() or float(np.max(granted.end - granted.start)) < frame.t:
            continue
        for request, asked in spans.items():
            if request == ack or len(asked.start) != len(granted.start):
                continue
            down, up = (granted.start - asked.start) / frame.t, (granted.end - asked.end) / frame.t
            if np.all((down > GRANT_T[0]) & (down < GRANT_T[1])) and np.all((up > RELEASE_T[0]) & (up < RELEASE_T[1])):
                sure = 0.85 if len(asked.start) < 3 else 0.95
                return [Role(request, "BUSREQ", sure), Role(ack, "BUSACK", sure)]
    return []


def _halt(sample: Sample, spans: dict[int, _Spans], low: Int, bits: int) -> Role | None:
    """Find a line that is low while one address is fetched again and again, with no data cycle in between, and only then."""
    if bits < 3:
        return None
    fetch = sample.kind == FETCH
    for k, span in spans.items():
        held = _inside(span, sample.fall)
        held[:-1] &= held[1:]  # the last fetch of a halt may be cut short by what ends it
        if int(held.sum()) < HALT_FETCHES or not fetch[held].all():
            continue
        pairs = held[1:] & held[:-1]
        if int(pairs.sum()) < HALT_FETCHES - 1:
            continue  # too few fetches behind one another to be of one address
        if np.all(low[1:][pairs] == low[:-1][pairs]) and float(np.mean(pairs)) < NOT_ALWAYS:
            return Role(k, "HALT", 0.93)
    return None


def _interrupt(sample: Sample, spans: dict[int, _Spans]) -> Role | None:
    """Find a line that is low at every acknowledge and seldom otherwise."""
    when = sample.fall[sample.kind == ACK]
    if not len(when):
        return None
    best: tuple[float, int] | None = None
    for k, span in spans.items():
        if len(span.start) > 3 * len(when) + 2 or not _inside(span, when).all():
            continue
        share = float(np.mean(_inside(span, sample.fall)))
        if share < SELDOM and (best is None or share < best[0]):
            best = share, k
    return None if best is None else Role(best[1], "INT", 0.8 if len(when) < 3 else 0.92)


def _waits(raw: Raw, frame: Frame, spans: dict[int, _Spans]) -> Role | None:
    """Find a line whose pulses lie inside requests and make them longer."""
    widths = (frame.rise - frame.fall) / frame.t
    usual = np.where(frame.fetch, 1.5, 2.0)
    for k, span in spans.items():
        if len(span.start) < WAITS_MIN:
            continue
        at = np.searchsorted(frame.fall, (span.start + span.end) // 2, "right") - 1
        known = at >= 0
        at, start, end = at[known], span.start[known], span.end[known]
        within = (end <= frame.rise[at]) & (start >= frame.fall[at] - frame.t)
        longer = widths[at] - usual[at] > LONGER_T
        if float(np.mean(within)) >= WAITS_WITHIN and float(np.mean(longer[within])) >= WAITS_LONGER:
            return Role(k, "WAIT", 0.93)
    return None


def _reset(frame: Frame, sample: Sample, spans: dict[int, _Spans], low: Int, bits: int) -> Role | None:
    """Find a line behind whose low stretches the program begins at address 0, with nothing going on in them."""
    for k, span in spans.items():
        if len(span.start) > RESETS_MAX:
            continue
        settled = _Spans(span.start + int(RESET_T * frame.t), span.end)
        after = np.searchsorted(sample.fall, span.end)
        if _inside(settled, sample.fall).any() or not np.all(after < len(sample.fall)):
            continue
        # Without an address the only sure sign is a capture that begins with it.
        shown = bits >= 3 or (len(span.start) == 1 and after[0] == 0)
        long_enough = (span.end - span.start >= RESET_T * frame.t) | (after == 0)
        soon = sample.fall[after] - span.end < RESET_TO_FETCH_T * frame.t
        if shown and (long_enough & soon).all() and np.all(low[after] == 0) and np.all(sample.kind[after] == FETCH):
            return Role(k, "RESET", 0.85 if bits >= 3 else 0.75)
    return None


def _nmi(frame: Frame, sample: Sample, spans: dict[int, _Spans], low: Int, bits: int) -> Role | None:
    """Find a line whose falls are answered by a call to address 66h, and the only one."""
    if bits < 7:
        return None
    kind = sample.kind
    entry = (kind[3:] == FETCH) & (low[3:] & 0x7F == NMI_LOW_BITS) & (kind[2:-1] == WRITE) & (kind[1:-2] == WRITE) & (kind[:-3] == FETCH)
    response = sample.fall[:-3][entry]
    if not len(response):
        return None
    for k, span in spans.items():
        falls = span.start[span.start > span.start[0]] if len(span.start) > 1 else span.start
        at = np.searchsorted(falls, response, "right") - 1
        if len(falls) <= len(response) + 1 and np.all(at >= 0) and np.all(response - falls[np.maximum(at, 0)] < NMI_T * frame.t):
            return Role(k, "NMI", 0.85)
    return None
