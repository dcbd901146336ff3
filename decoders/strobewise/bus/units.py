"""Units: the length of a tick, and quantities in the words of the bench."""

from __future__ import annotations

from typing import Optional

#: The unit of a tick's length, the finest that a VCD can give (IEEE Std 1364-2005, clause 18), in seconds.
FEMTOSECOND = 1e-15
FS_PER_S = 10**15


def time_words(seconds: Optional[float]) -> str:
    """Return a time in the unit that a bench worker would say it in."""
    if seconds is None:
        return "?"
    size = abs(seconds)
    for limit, factor, unit in ((1e-6, 1e9, "ns"), (1e-3, 1e6, "µs"), (1.0, 1e3, "ms")):
        if size < limit:
            return f"{seconds * factor:.3g} {unit}"
    return f"{seconds:.4g} s"
