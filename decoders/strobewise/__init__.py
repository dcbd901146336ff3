"""strobewise: says what is wrong with a Z80 computer, from a capture of its bus.

The names in __all__ are the public interface. What needs numpy loads on first use, so that a capture host can import the plain core.
"""

from __future__ import annotations

from .bus.model import Finding, LineState, MachineCycle, SuspectShare, Verdict
from .errors import StrobewiseError

__all__ = [
    "Diagnosis",
    "Finding",
    "LineState",
    "MachineCycle",
    "Options",
    "StrobewiseError",
    "SuspectShare",
    "Verdict",
    "diagnose",
]
__version__ = "0.1.0"

_LAZY = ("Diagnosis", "Options", "diagnose")


def __getattr__(name: str) -> object:
    if name in _LAZY:
        from .diagnosis import facade as module

        return getattr(module, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
