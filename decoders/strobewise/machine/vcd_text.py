"""Writes words as VCD text, in the dialects that capture tools export.

Source of the format: IEEE Std 1364-2005, clause 18. The registry's writer (pyvcd) writes one change a line and cannot write
some dialects below; it also took 3.8 times as long on a 38-channel capture of 24 MHz, half of the time that the whole
simulation may take (benchmarks/bench_simulate.py measures it again). This one looks finished text up per group of lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import IO, Callable, Dict, Iterable, List, Sequence, Tuple

from ..bus.lines import ADDRESS, BIT, CONTROL, DATA, LINE
from ..bus.units import VCD_UNITS_FS

#: Timescales by their text without the space, picoseconds.
TIMESCALES: Dict[str, int] = {
    f"{count}{unit}": count * VCD_UNITS_FS[unit] // VCD_UNITS_FS["ps"]
    for unit in ("ps", "ns", "us")
    for count in (1, 10, 100)
}

LAYOUTS = ("line", "lines")

_IDENTIFIER_CHARACTERS = [chr(code) for code in range(ord("!"), ord("~") + 1)]


@dataclass(frozen=True)
class Dialect:
    """How the VCD is written. Everything here is allowed by the standard."""

    timescale: str = "1ns"  #: one of TIMESCALES
    spaced_timescale: bool = True  #: a space before the unit
    layout: str = "line"  #: "line": all changes on the line of their time; "lines": one change a line
    vectors: bool = False  #: the address and data lines as two buses where all their bits are captured
    dumpvars: bool = False  #: the first values in a $dumpvars block
    var_type: str = "wire"
    id_length: int = 1  #: characters of each identifier, at least
    comment: str = "simulated capture"


def _plain(name: str) -> str:
    return name


def _active_low(mark: Callable[[str], str]) -> Callable[[str], str]:
    return lambda name: mark(name) if name in LINE and LINE[name].active_level == 0 else name


#: Naming styles of channels: from a line's canonical name to the label. Common practice of schematics and analysers.
NAMING: Dict[str, Callable[[str], str]] = {
    "plain": _plain,
    "lower": str.lower,
    "n_prefix": _active_low(lambda name: "n" + name),
    "slash": _active_low(lambda name: "/" + name),
    "tilde": _active_low(lambda name: "~" + name),
    "hash": _active_low(lambda name: name + "#"),
    "n_suffix": _active_low(lambda name: name + "_n"),
    "lower_n_suffix": lambda name: _active_low(lambda low: low + "_n")(name).lower(),
    "padded": lambda name: name[0] + name[1:].zfill(2) if name in ADDRESS else _active_low(lambda low: low + "n")(name),
}
UNLABELLED = "channels"  #: the style CH0, CH1, ... that says nothing


def label(lines: Sequence[str], style: str) -> List[str]:
    """Return the channels' labels for captured lines, in their order."""
    if style == UNLABELLED:
        return [f"CH{index}" for index in range(len(lines))]
    return [NAMING[style](name) for name in lines]


class _Signal:
    """One $var: a scalar, or a bus with its most significant bit last in `bits`."""

    def __init__(self, name: str, bits: Sequence[int]) -> None:
        self.name = name
        self.bits = tuple(bits)
        self.mask = sum(1 << bit for bit in bits)
        self.identifier = ""

    def value(self, word: int) -> str:
        if len(self.bits) == 1:
            return ("1" if word & self.mask else "0") + self.identifier
        digits = "".join("1" if word >> bit & 1 else "0" for bit in reversed(self.bits))
        return f"b{digits} {self.identifier}"


class VcdText:
    """Turns (time, word) changes into VCD text.

    Each group of lines (control, address, data) has its own table from (what changed, to what) to finished text: the same
    few changes come again and again, and the groups together would have too many combinations.
    """

    def __init__(self, lines: Sequence[str], labels: Sequence[str], dialect: Dialect) -> None:
        self.dialect = dialect
        self.signals = self._signals(lines, labels)
        for index, signal in enumerate(self.signals):
            signal.identifier = self._identifier(index)
        self.mask = sum(signal.mask for signal in self.signals)
        self._joint = " " if dialect.layout == "line" else "\n"
        self._control: Dict[int, str] = {}
        self._address: Dict[int, str] = {}
        self._data: Dict[int, str] = {}
        self._control_mask = sum(1 << BIT[name] for name in CONTROL)

    def _signals(self, lines: Sequence[str], labels: Sequence[str]) -> List[_Signal]:
        if not self.dialect.vectors:
            return [_Signal(text, [BIT[name]]) for name, text in zip(lines, labels)]
        buses = []
        for bus, text in ((ADDRESS, "ADDR"), (DATA, "DATA")):
            if set(bus) <= set(lines):
                buses.append((bus, _Signal(f"{text} [{len(bus) - 1}:0]", [BIT[name] for name in bus])))
        taken = {name for bus, _ in buses for name in bus}
        rest = [_Signal(text, [BIT[name]]) for name, text in zip(lines, labels) if name not in taken]
        return [signal for _, signal in buses] + rest

    def _identifier(self, index: int) -> str:
        base = len(_IDENTIFIER_CHARACTERS)
        text = ""
        while index or not text:
            text += _IDENTIFIER_CHARACTERS[index % base]
            index //= base
        return text.rjust(self.dialect.id_length, _IDENTIFIER_CHARACTERS[0])

    def header(self, word: int) -> str:
        """Return everything up to and with the values at time 0."""
        dialect = self.dialect
        digits = dialect.timescale.rstrip("munps")
        unit = dialect.timescale[len(digits) :]
        scale = f"{digits} {unit}" if dialect.spaced_timescale else dialect.timescale
        out = [f"$comment {dialect.comment} $end", f"$timescale {scale} $end", "$scope module logic $end"]
        out += [f"$var {dialect.var_type} {len(s.bits)} {s.identifier} {s.name} $end" for s in self.signals]
        out += ["$upscope $end", "$enddefinitions $end"]
        values = self._joint.join(signal.value(word) for signal in self.signals)
        if dialect.dumpvars:
            out += ["#0", "$dumpvars", values, "$end"]
        else:
            out.append("#0" + self._joint + values)
        return "\n".join(out) + "\n"

    def write(self, changes: Iterable[Tuple[int, int]], end: int, file: IO[str]) -> None:
        """Write a whole file. changes: (time in timescale units, word), the first at time 0. end: the last time."""
        rows: List[str] = []
        control, address, data = self._control, self._address, self._data
        mask = self.mask
        control_mask = self._control_mask
        joint = self._joint
        iterator = iter(changes)
        _, last = next(iterator)
        file.write(self.header(last))
        last_time = 0
        for time, word in iterator:
            changed = (word ^ last) & mask
            if not changed:
                continue
            last = word
            last_time = time
            row = f"#{time}"
            part = changed & control_mask
            if part:
                key = part << 16 | word & part
                text = control.get(key)
                row += joint + (text if text is not None else self._text(control, key, part, word))
            part = changed >> 16 & 0xFFFF
            if part:
                key = part << 16 | word >> 16 & 0xFFFF
                text = address.get(key)
                row += joint + (text if text is not None else self._text(address, key, part << 16, word))
            part = changed >> 32
            if part:
                key = part << 8 | word >> 32 & 0xFF
                text = data.get(key)
                row += joint + (text if text is not None else self._text(data, key, part << 32, word))
            rows.append(row)
            if len(rows) >= 4000:
                file.write("\n".join(rows) + "\n")
                rows.clear()
        if end > last_time:
            rows.append(f"#{end}")
        if rows:
            file.write("\n".join(rows) + "\n")

    def _text(self, table: Dict[int, str], key: int, changed: int, word: int) -> str:
        text = self._joint.join(signal.value(word) for signal in self.signals if signal.mask & changed)
        if len(table) > 200_000:
            table.clear()
        table[key] = text
        return text
