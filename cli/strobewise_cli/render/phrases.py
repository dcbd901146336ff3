"""Small things of which all outputs make their sentences."""

from __future__ import annotations

from collections.abc import Sequence

from strobewise.bus.lines import in_ranges

PARTS = {"ROM": "the ROM", "RAM": "the RAM"}


def names_text(names: Sequence[str]) -> str:
    """Return lines with whole buses as ranges, joined as in a sentence."""
    parts = [name for name in names if name in PARTS]
    words = in_ranges(name for name in names if name not in PARTS) + [PARTS[name] for name in parts]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def sentence(text: str) -> str:
    """Return text with a capital letter in front and one full stop at its end."""
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
