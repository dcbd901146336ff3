"""Units: the length of a tick, and quantities in the words of the bench."""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from typing import Dict, Iterator, Optional

#: The unit of a tick's length, the finest that a VCD can give (IEEE Std 1364-2005, clause 18), in seconds.
FEMTOSECOND = 1e-15
FS_PER_S = 10**15
#: Femtoseconds of the units that a VCD counts in, the longest first (IEEE Std 1364-2005, clause 18.2.3.6).
VCD_UNITS_FS: Dict[str, int] = {"s": FS_PER_S, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 10**3, "fs": 1}
NEVER = 1 << 62  #: ticks or T-states: later than anything in a capture, with room for sums in 64 bits; -NEVER is before all of it
BELOW_THE_NEXT = 0.9995  #: of a unit: what three digits round to a thousand is one of the next


_T_S: ContextVar[Optional[float]] = ContextVar("t_s", default=None)


@contextmanager
def told_in_t_states(t_s: Optional[float]) -> Iterator[None]:
    """Have `time_words` count T-states while the context lasts, for a capture whose times are no seconds.

    t_s: what a T-state is on the capture's time axis; None: its times are seconds, and are told so.
    """
    token = _T_S.set(t_s)
    try:
        yield
    finally:
        _T_S.reset(token)


def time_words(seconds: Optional[float]) -> str:
    """Return a time in the unit that a bench worker would say it in; in T-states where that is all that is known."""
    if seconds is None:
        return "?"
    t_s = _T_S.get()
    if t_s is not None:
        return f"{round(seconds / t_s, 1):g} T" if abs(seconds) < 10 * t_s else f"{round(seconds / t_s):,} T".replace(",", " ")
    size = abs(seconds)
    for limit, factor, unit in ((1e-6, 1e9, "ns"), (1e-3, 1e6, "µs"), (1.0, 1e3, "ms")):
        if size < limit * BELOW_THE_NEXT:
            return f"{seconds * factor:.3g} {unit}"
    return f"{seconds:.3f}".rstrip("0").rstrip(".") + " s"  # a moment late in a long capture is looked for to the millisecond


def per_cent(share: float) -> str:
    """Return a share as per cent with two digits, and 100 for the whole: "0.02", "3.5", "42", "100"."""
    return f"{float(f'{share * 100:.2g}'):g}"  # twice, since 100 has three and would be 1e+02
