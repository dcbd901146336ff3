"""Which strobes behaved like themselves: counted over one group of requests, for the trust word of the next."""

from __future__ import annotations

from typing import Dict, FrozenSet

from ..bus.semantics import TrustCounts, trust_word
from .records import LINE_BARE, LINE_IORQ, LINE_MREQ, M1, MREQ, PATTERN_MASK, PATTERN_SHIFT, RD, RFSH, WR, Request

# Bits of what is counted of a request, above its pattern.
_LINE = 7
_TIMED = 1 << 9
_FOLLOWED = 1 << 10
_LATE = 1 << 11
# What is counted of a good fetch, its refresh, and any other access to memory.
_FETCH, _REFRESH, _ACCESS = (M1 | MREQ | RD) >> PATTERN_SHIFT | _FOLLOWED, (MREQ | RFSH) >> PATTERN_SHIFT | _TIMED, MREQ >> PATTERN_SHIFT


class StrobeTrust:
    """Counts requests by what was asserted in them. See bus.semantics.TrustCounts for what is made of that."""

    def __init__(self, captured: FrozenSet[str]) -> None:
        """captured: canonical names of the lines."""
        self._captured = captured
        self._seen: Dict[int, int] = {}

    def count(self, request: Request, timed: bool, refreshed: bool, late: bool) -> None:
        """Count a request. timed: it is a refresh by the gap before it; refreshed: one follows; late: with /M1 still asserted in it."""
        if request.line == LINE_BARE:
            refreshed = refreshed or (not request.control & RD and not request.after & RFSH)
            late = late or not request.after & M1
        key = ~request.control >> PATTERN_SHIFT & PATTERN_MASK | request.line << _LINE
        if timed:
            key |= _TIMED
        if refreshed:
            key |= _FOLLOWED | _LATE if late else _FOLLOWED
        elif late:
            key |= _LATE
        seen = self._seen
        seen[key] = seen[key] + 1 if key in seen else 1

    def count_good(self, fetches: int, others: int, refresh_last: bool) -> None:
        """Count requests of /MREQ that were what they should be, all but the last: fetches, as many refreshes, and other accesses."""
        seen = self._seen
        for key, number in (
            (_FETCH, fetches), (_REFRESH, fetches - refresh_last), (_ACCESS, others - (not refresh_last)),
        ):  # fmt: skip
            if number:
                seen[key] = seen.get(key, 0) + number

    def earned(self) -> int:
        """Return the trust word that the requests counted so far earn, and begin a new group."""
        memory = fetches = m1_right = m1_wrong = rd_right = rd_wrong = wr_wrong = refreshes = rfsh_right = rfsh_wrong = 0
        alone = reads_alone = m1_alone = m1_odd = 0
        for key, number in self._seen.items():
            asserted = (key & PATTERN_MASK) << PATTERN_SHIFT
            line = key >> _LINE & 3
            timed = key & _TIMED
            fetch = key & _FOLLOWED and line != LINE_IORQ
            if line == LINE_MREQ:
                memory += number
            elif line == LINE_BARE:
                own = asserted & M1 and asserted & RD and not key & _LATE
                alone += number
                reads_alone += number if asserted & RD else 0
                m1_alone += number if own else 0
                m1_odd += number if asserted & M1 and not own else 0
            if fetch:
                fetches += number
                m1_right += number if asserted & M1 and not key & _LATE else 0
                rd_right += number if asserted & RD else 0
                rfsh_wrong += number if asserted & RFSH else 0
            elif asserted & M1 and line != LINE_IORQ:
                m1_wrong += number
            if timed:
                refreshes += number
                rd_wrong += number if asserted & RD else 0
                rfsh_right += number if asserted & RFSH else 0
            if (timed or fetch) and asserted & WR:
                wr_wrong += number
        self._seen.clear()
        counts = TrustCounts(memory, fetches, m1_right, m1_wrong, rd_right, rd_wrong, wr_wrong, refreshes, rfsh_right, rfsh_wrong,
                             alone, reads_alone, m1_alone, m1_odd)  # fmt: skip
        return trust_word(counts, self._captured)
