"""What a channel's name says: which line it means, in the many ways the trade writes it.

A name is taken apart into marks of polarity (``/M1``, ``M1_n``, ``nM1``, ``M1#`` ...), words that only say where the
line is (``cpu_m1``, ``CH3 M1``, ``M1 (27)``) and the name proper, which is looked up in the table of ``bus.lines``.
Source: common practice of schematics, HDL and analyser labels.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from strobewise.bus.lines import BUS_SPELLINGS, FIRST_ADDRESS_BIT, LINE, LINES

_LINE_WORDS: dict[str, str] = {
    word: line.name for line in LINES if line.bit < FIRST_ADDRESS_BIT for word in (line.name.lower(), *line.spellings)
}
_BUS_WORDS: dict[str, str] = {word: bus for bus, words in BUS_SPELLINGS.items() for word in words}
_BUS_BIT = re.compile(rf"(n?)({'|'.join(sorted(_BUS_WORDS))})(\d{{0,3}})")

_STRONG_MARKS = "/~!#¬\\"  #: unmistakable marks of an active-low or complemented line
_WEAK_MARKS = "*-'"  #: marks that also stand for other things; believed on active-low lines only
_MARK_TOKENS = {"n", "not", "bar", "b", "l", "neg"}
_PLACE_TOKENS = re.compile(r"(?:cpu|mpu|z80|bus|ic\d{0,3}|u\d{0,3})$")
_OVERLINE = "\u0305\u0304"  #: combining overline and macron, as in a name copied from a schematic
_ANALYSER_PREFIX = re.compile(r"\s*(?:ch|chan|channel|d|dio|in|input|probe|p)?[ _]?\d{1,3}[\s:;.=()_-]+(?=\S)", re.I)
_DEFAULT_NAME = re.compile(
    r"(?:d|c|ch|chan|channel|dig|digital|dio|din|gpio|in|input|io|bit|line|logic|p|pin|probe|sig|signal)?"
    r"[ _.-]?[\[(]?\d{1,3}[\])]?$",
    re.I,
)
_BANK_NAME = re.compile(r"[a-h]\d$", re.I)
_INDEX = re.compile(r"(.*\S)\s*[\[(<]\s*(\d{1,4})\s*(?:(?::|\.\.|-)\s*(\d{1,4})\s*)?[\])>]\s*$", re.S)

Range = tuple[int, int]


class Meaning(NamedTuple):
    """What a name says."""

    line: str | None  #: canonical control line, or None for a bus
    bus: str | None  #: "A" or "D"
    number: int | None  #: of the bus bit, None where the name gives no number
    marked: bool  #: bears a mark of polarity


def split_range(name: str) -> tuple[str, Range | None]:
    """Return a name without its ``[7:0]`` or ``[3]``, and that range as (left, right)."""
    match = _INDEX.match(name)
    if match is None:
        return name.strip(), None
    left = int(match[2])
    return match[1], (left, int(match[3]) if match[3] is not None else left)


def is_default_name(name: str) -> bool:
    """Say whether an analyser gives this name by itself, which is no label: ``D3``, ``CH0``, ``Channel 7``, ``12``."""
    return _DEFAULT_NAME.match(name.strip()) is not None


def is_bank_name(name: str) -> bool:
    """Say whether the name is one of an analyser with banks (``A0`` to ``A7``, ``B0`` ...)."""
    return _BANK_NAME.match(name.strip()) is not None


def tidy(name: str) -> str:
    """Return a name in the form in which two names for one line are compared: lower case, no separators, no marks."""
    return "".join(_tokens(name)[0])


def meaning(name: str, further: dict[str, str] | None = None) -> Meaning | None:
    """Return what a name (without its range) says, or None when it names no line.

    further: words (as ``tidy`` gives them) of lines that a machine profile declares, with their canonical names.
    """
    for text in _readings(name):
        found = _look_up(text, further or {})
        if found is not None:
            return found
    return None


def _readings(name: str) -> Iterator[str]:
    """Yield the name, and the name without the analyser's own number before it (``CH3: /M1``)."""
    yield name
    match = _ANALYSER_PREFIX.match(name)
    if match is not None:
        yield name[match.end() :]


def _tokens(name: str) -> tuple[list[str], bool, bool]:
    """Return the words of a name in lower case, and whether it bears a strong or any mark of polarity."""
    text = unicodedata.normalize("NFKD", name.strip())
    strong = any(mark in text for mark in _OVERLINE)
    text = (
        "".join(char for char in text if not unicodedata.combining(char))
        .lower()
        .replace("φ", "phi")
        .replace("ϕ", "phi")
    )
    if text.startswith("\\"):
        text = text[1:].rstrip()  # an escaped identifier of the VCD, no mark
    text = re.split(r"\.|::", text.rstrip(".:"))[-1]
    stripped = text.strip(" _" + _STRONG_MARKS + _WEAK_MARKS)
    edges = text.replace(stripped, "", 1) if stripped else text
    strong = strong or any(mark in edges for mark in _STRONG_MARKS)
    marked = strong or any(mark in edges for mark in _WEAK_MARKS)
    tokens = [token for token in re.split(r"[^0-9a-z]+", stripped) if token]
    while len(tokens) > 1:
        if tokens[0] in _MARK_TOKENS and tokens[0] not in ("b", "l"):
            strong, marked, tokens = True, True, tokens[1:]
        elif tokens[-1] in _MARK_TOKENS:
            strong, marked, tokens = True, True, tokens[:-1]
        elif _PLACE_TOKENS.match(tokens[0]):
            tokens = tokens[1:]
        elif _PLACE_TOKENS.match(tokens[-1]):
            tokens = tokens[:-1]
        else:
            break
    return tokens, strong, marked


def _look_up(name: str, further: dict[str, str]) -> Meaning | None:
    tokens, strong, marked = _tokens(name)
    words = ["".join(tokens)]
    words += [words[0][3:]] if words[0].startswith(("cpu", "z80")) else []
    for word in words:
        line = _LINE_WORDS.get(word) or further.get(word)
        if line is not None:
            believed = strong if _is_active_high(line) else marked
            return Meaning(line, None, None, believed) if believed == marked else None
        match = _BUS_BIT.fullmatch(word)
        if match is not None and strong == marked:
            return Meaning(None, _BUS_WORDS[match[2]], int(match[3]) if match[3] else None, strong or bool(match[1]))
    for word in words:
        line = _joined_mark(word, {**further, **_LINE_WORDS})
        if line is not None:
            return Meaning(line, None, None, True)
    return _with_pin(tokens, marked)


def _is_active_high(line: str) -> bool:
    return line in LINE and LINE[line].active_level == 1


def _joined_mark(word: str, words: Mapping[str, str]) -> str | None:
    """Return the line of a word with a mark grown on to it: nMREQ, xRD, M1B, M1N, RDbar."""
    for mark in ("not", "n", "x"):
        if word.startswith(mark):
            line = words.get(word[len(mark) :])
            if line is not None and (mark != "x" or not _is_active_high(line)):
                return line
    for mark in ("bar", "b", "n"):
        if word.endswith(mark):
            line = words.get(word[: -len(mark)])
            if line is not None and not _is_active_high(line):
                return line
    return None


def _with_pin(tokens: list[str], marked: bool) -> Meaning | None:
    """Return the meaning of a name with the line's own pin number beside it: ``M1 (27)``, ``pin 27 M1``."""
    numbers = [re.fullmatch(r"(?:pin)?(\d{1,2})", token) for token in tokens]
    pins = {int(match[1]) for match in numbers if match is not None}
    rest = "".join(token for token, match in zip(tokens, numbers, strict=True) if match is None and token != "pin")
    line = _LINE_WORDS.get(rest) or _joined_mark(rest, _LINE_WORDS)
    if line is None or pins != {LINE[line].pin}:
        return None
    return Meaning(line, None, None, (marked or rest not in _LINE_WORDS) and not _is_active_high(line))
