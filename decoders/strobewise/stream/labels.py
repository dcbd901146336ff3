"""What the plug-ins write under the waveforms: for each item a few texts, from a full line down to a character or two.

Our own and the trade's plain words. Addresses and data are written as ``strobewise cycles`` writes them.
"""

from __future__ import annotations

from typing import Dict, List, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import STROBES, bar
from ..bus.model import KINDS, Finding

STROBE_NAMES = frozenset(STROBES)
_CACHED = 1 << 16  #: texts kept for cycles that come again, as a program's loops make them do


class Words(NamedTuple):
    """How one kind of machine cycle is called."""

    long: str
    middle: str
    short: str


WORDS: Dict[str, Words] = {
    "opcode_fetch": Words("Opcode fetch", "Fetch", "F"),
    "memory_read": Words("Memory read", "Read", "R"),
    "memory_write": Words("Memory write", "Write", "W"),
    "memory_access": Words("Memory access", "Access", "A"),
    "io_read": Words("I/O read", "In", "I"),
    "io_write": Words("I/O write", "Out", "O"),
    "interrupt_acknowledge": Words("Interrupt acknowledge", "Int ack", "IA"),
    "bus_granted": Words("Bus granted", "Granted", "BG"),
    "unknown": Words("Request of unknown kind", "Unknown", "?"),
}
assert tuple(WORDS) == KINDS

NOTE_WORDS: Dict[str, Words] = {
    "": Words("", "", ""),
    "halt": Words("halted", "halt", "H"),
    "nmi_response": Words("NMI response, byte thrown away", "NMI", "N"),
    "cut_short": Words("cut short by a reset", "cut", "X"),
    "after_reset": Words("after a reset", "reset", "R"),
}

ALONE_TEXTS = ["This needs machine cycles: stack it on strobewise_cycles", "not stacked", "!"]

_Key = Tuple[str, Optional[int], Optional[int], bool]
Annotation = List[object]  #: as a capture host takes it: the number of its class, and its texts


class CycleItems(Dict[_Key, Annotation]):
    """First items of machine cycles by kind, address, data, and whether that is inferred. Remembers those of the last many."""

    def __init__(self, classes: Sequence[str]) -> None:
        """classes: kinds of cycles, in the order of the host's classes."""
        super().__init__()
        self._class_of = {kind: place for place, kind in enumerate(classes)}

    def __missing__(self, key: _Key) -> Annotation:
        if len(self) >= _CACHED:
            self.clear()
        self[key] = made = [self._class_of[key[0]], _begun_texts(*key)]
        return made


class LengthItems(Dict[Tuple[Optional[int], str], Annotation]):
    """Second items of machine cycles by length in T-states and note. Remembers them."""

    def __init__(self, its_class: int) -> None:
        """its_class: number of the host's class."""
        super().__init__()
        self._class = its_class

    def __missing__(self, key: Tuple[Optional[int], str]) -> Annotation:
        if len(self) >= _CACHED:
            self.clear()
        self[key] = made = [self._class, _ended_texts(*key)]
        return made


def _begun_texts(kind: str, address: Optional[int], data: Optional[int], inferred: bool) -> List[str]:
    long, middle, short = WORDS[kind]
    mark = short
    if address is not None:
        long += " at 0x%04x" % address
        middle += " %04x" % address
    if data is not None:
        long += ": 0x%02x" % data
        middle += " %02x" % data
        short += " %02x" % data
    if inferred:
        long += " (inferred)"
        middle += " ~"
        short += "~"
        mark = mark[0] + "~"
    return _different(long, middle, short, mark)


def _different(*texts: str) -> List[str]:
    """Return the texts without repetitions, in their order."""
    return list(dict.fromkeys(texts))


def _ended_texts(t_states: Optional[int], note: str) -> List[str]:
    words = NOTE_WORDS[note]
    if t_states is None:
        long, middle, short = "length not known", "? T", "?"
    else:
        long, middle, short = "%d T-states" % t_states, "%d T" % t_states, "%d" % t_states
    if note:
        long, middle, short = f"{long}, {words.long}", f"{middle} {words.middle}", short + words.short
    return [long, middle, short]


def wait_texts(count: int) -> List[str]:
    """Return the texts of wait states."""
    return ["%d wait state%s" % (count, "" if count == 1 else "s"), "%d wait" % count, "W%d" % count, "W"]


def finding_texts(finding: Finding, title: str) -> List[str]:
    """Return the texts of a finding; title: what its rule is called."""
    lines = " ".join(bar(name) for name in finding.lines)
    long = "%s: %s" % (title, finding.evidence)
    if finding.severity == "fault" and STROBE_NAMES.issuperset(finding.lines) and finding.lines:
        long += "; a lead on the wrong pin looks the same here"  # which leads would fit is tried on files alone
    return _different(long, title, lines or finding.rule, "!")
