"""A difference between what the program calls for and what the bus showed, as a sentence."""

from __future__ import annotations

from ..bus.model import KINDS
from ..cpu.disassembly import find_operation, render
from ..records.prediction import Difference


def _lines(difference: Difference) -> str:
    """Name the lines that differ, when they are few, with the level shown."""
    bus, width = ("D", 8) if difference.what == "data" else ("A", 16)
    wrong = [bit for bit in range(width) if (difference.expected ^ difference.found) >> bit & 1]
    if len(wrong) > 2:
        return ""
    return ": " + " and ".join(f"{bus}{bit} {'high' if difference.found >> bit & 1 else 'low'}" for bit in wrong)


def explain(difference: Difference) -> str:
    """Return one difference as a sentence: what the CPU should have done, and what the bus showed."""
    operation = find_operation(difference.data)
    if operation is not None:
        subject = f"`{render(operation, difference.data, difference.address)}` at {difference.address:#06x}"
    elif difference.data:
        subject = f"the prefix {difference.data[0]:#04x} at {difference.address:#06x}"
    else:
        subject = f"the response to an interrupt at {difference.address:#06x}"
    expected, found = difference.expected, difference.found
    if difference.what == "data":
        return (
            f"after {subject} the CPU should write {expected:#04x} to {difference.place:#06x}; it wrote {found:#04x}{_lines(difference)}"
        )
    if difference.what == "kind":
        text = f"{subject} calls for {_a(KINDS[expected])}; {_a(KINDS[found])} came"
    elif difference.what == "next":
        text = f"after {subject} the CPU should go on at {expected:#06x}; it fetched {found:#06x}{_lines(difference)}"
    elif difference.what == "code":
        text = f"the bytes of {subject} go on at {expected:#06x}; the bus showed {found:#06x}{_lines(difference)}"
    else:
        text = f"{subject} should reach {expected:#06x}; the bus showed {found:#06x}{_lines(difference)}"
    alone = [line for line in difference.lines if "<" not in line]
    return text + (f"; {alone[0]} read at its other level explains it" if len(alone) == 1 else "")


def _a(kind: str) -> str:
    words = kind.replace("_", " ").replace("io ", "I/O ")
    return ("an " if words[0] in "aeiouI" else "a ") + words
