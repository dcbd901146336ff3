"""What a meter or a probe shows, as a person writes it down: numbers with their units, an open line, yes and no."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from ..bus.lines import bar
from ..errors import UsageError
from .records import SAID_OF, Answer, AnswerKind

#: What a meter shows where nothing flows: over limit, or the word for it (common practice).
OPEN_LINE = frozenset({"ol", "o.l", "o.l.", "0l", "0.l", "0l.", ".ol", "inf", "infinite", "infinity", "open", "overload", "\N{INFINITY}"})
#: No pin of the CPU stands lower than 0.3 V below ground (absolute ratings of the Z8400 product specification, from memory): what reads
#: lower has its leads exchanged, or its black one on another thing than ground.
LOWEST_V = -0.3
HIGHEST_V = 24.0  #: no board of this kind carries more beside its logic (common practice): 400 is mostly 400 mV
LOWEST_OHMS = -1.0  #: a meter whose leads were set off against each other may show a little less than nothing; our choice
#: The least and the most that each kind of reading can be.
RANGES: Mapping[AnswerKind, tuple[float, float]] = {
    "volts": (LOWEST_V, HIGHEST_V), "supply": (LOWEST_V, HIGHEST_V), "ohms": (LOWEST_OHMS, math.inf), "between": (LOWEST_OHMS, math.inf),
}  # fmt: skip
_NUMBER = re.compile(r"([-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:e[-+]?\d+)?)\s*([a-zµΩω]*)", re.IGNORECASE)
#: What may stand behind a number, and what it is times a volt, an ohm (the prefixes of the International System of Units).
_VOLTS: Mapping[str, float] = {"": 1.0, "v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3}
_OHMS: Mapping[str, float] = {
    f"{prefix}{unit}": factor
    for prefix, factor in (("", 1.0), ("k", 1e3), ("m", 1e6), ("meg", 1e6)) for unit in ("", "ohm", "ohms", "\N{GREEK SMALL LETTER OMEGA}")
} | {"r": 1.0}  # fmt: skip
UNITS: Mapping[AnswerKind, Mapping[str, float]] = {"volts": _VOLTS, "supply": _VOLTS, "ohms": _OHMS, "between": _OHMS}
MILLIOHM = "m"  #: as people write it; a large one is a million


def value_said(kind: AnswerKind, text: str) -> float:
    """Return the value of an answer as a person says it: a number with or without its unit, OL, or yes and no. Raises UsageError."""
    said = text.strip()
    words = SAID_OF.get(kind)
    if words is not None:
        if said.lower() not in words:
            raise UsageError(f"{text[:40]!r} is not {words[1]} or {words[0]}", kind, f"say {words[1]} or {words[0]}")
        return float(words.index(said.lower()))
    units = UNITS[kind]
    if units is _OHMS and said.lower().removesuffix("ohms").removesuffix("ohm").strip() in OPEN_LINE:
        return math.inf
    number = _NUMBER.fullmatch(said)
    factor = units.get(number[2].lower()) if number is not None else None
    if number is None or factor is None:
        remedy = "say a number" + (", or OL where the meter shows an open line" if units is _OHMS else "")
        raise UsageError(f"{text[:40]!r} is not a number", kind, remedy)
    if units is _OHMS and number[2].startswith(MILLIOHM) and not number[2].startswith("meg"):
        factor = 1e-3
    return float(number[1].replace(",", ".")) * factor


def refuse_impossible(kind: AnswerKind, value: float) -> None:
    """Raise UsageError for a reading that no machine gives: what was measured then is something else."""
    if can_be(kind, value):
        return
    if kind in ("volts", "supply"):
        if value < LOWEST_V:
            remedy = "the meter's leads are exchanged, or its black one is not on ground (pin 29): measure again"
        else:
            remedy = f"no more than {HIGHEST_V:g} V is taken: look at the meter's range, say 400mV for millivolts"
        raise UsageError(f"{value:g} V", kind, remedy)
    raise UsageError(f"{value:g} ohms", kind, "the machine has to be off and unplugged, its capacitors empty: measure again")


def can_be(kind: AnswerKind, value: float) -> bool:
    """Say whether a reading is one that a machine can give."""
    low, high = RANGES.get(kind, (-math.inf, math.inf))
    return low <= value <= high


def measured_words(answer: Answer) -> str:
    """Return a bad reading in a few words."""
    about = " to ".join(map(bar, answer.about.split("-"))) if answer.about else answer.kind
    if answer.value == math.inf:
        return f"{about} has no way through"
    unit = "V" if UNITS.get(answer.kind) is _VOLTS else "ohms"
    return f"{about} measures {answer.value:g} {unit}"
