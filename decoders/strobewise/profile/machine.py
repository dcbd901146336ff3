"""The machine profile: what a machine has where, read from TOML. Scenarios of the simulated bench use the same keys.

The keys and what they allow stand in `parse_profile`; anything else is refused with the file, the key and what is allowed.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Union

from ..bus.lines import LINE
from ..errors import ProfileError, StrobewiseError
from ..files.reading import read_named
from ..records.profile import BoardChip, MemoryRegion, Paging, Pass, Profile, ProfileLine
from .fields import Fields, load_toml

MEMORY_KINDS = ("rom", "ram", "device", "nothing")
BOARD_KINDS = ("buffer", "decoder", "multiplexer", "latch", "gate")
PINS_MAX = 64  #: of a chip on the board

#: Clock rates that are accepted, Hz; wide on purpose, a profile may describe a slowed-down bench.
CLOCK_RANGE = (1_000, 50_000_000)


def load_profile(path: Union[str, Path]) -> Profile:
    """Read a machine profile. Raises ProfileError, which names the file, the key and what is allowed."""
    path = Path(path)
    fields = Fields(load_toml(path, ProfileError), path, ProfileError)
    profile = parse_profile(fields, path)
    fields.finish()
    return profile


def parse_profile(fields: Fields, path: Path) -> Profile:
    """Take a profile's keys from a table; the caller calls `finish`, so that a scenario may hold more keys beside them."""
    name = fields.text("name", path.stem)
    clock_hz = fields.number("clock_hz", *CLOCK_RANGE, None)
    period = fields.integer("interrupt_period_t_states", 1, 1 << 32, None)
    memory = tuple(_region(table) for table in fields.tables("memory"))
    _refuse_overlap(memory, fields)
    lines = tuple(_line(table) for table in fields.tables("lines"))
    names = [line.name for line in lines]
    for twice in sorted({name for name in names if names.count(name) > 1}):
        raise fields.refuse("lines", f"line {twice} is described twice", "one [[lines]] table for each line")
    declared = {line.name: line.active for line in lines}
    paging = tuple(_paging(table, declared) for table in fields.tables("paging"))
    board = tuple(_board_chip(table, declared) for table in fields.tables("glue"))
    return Profile(name, clock_hz, period, memory, lines, paging, path, _stimulus(fields), board)


def _region(fields: Fields) -> MemoryRegion:
    kind = fields.choice("kind", MEMORY_KINDS)
    start = fields.address("start")
    end = fields.address("end")
    if end < start:
        raise fields.refuse("end", f"end 0x{end:04X} is below start 0x{start:04X}", "the region's last address")
    file = fields.file("file")
    listed = fields.many("chips", (), "a list of one chip, or of eight, D0 first")
    chips = tuple(chip for chip in listed if isinstance(chip, str) and chip)
    if len(listed) not in (0, 1, 8) or len(chips) != len(listed):
        raise fields.refuse("chips", f"chips holds {len(listed)} entries", "a list of one chip's name, or of eight, D0 first")
    fields.finish()
    contents = read_contents(fields, "file", file, end - start + 1) if file is not None else None
    return MemoryRegion(kind, start, end, file, contents, chips)


def _board_chip(fields: Fields, declared: dict[str, int | None]) -> BoardChip:
    chip = fields.text("chip")
    kind = fields.choice("kind", BOARD_KINDS)
    points = fields.table("pins")
    names = [*fields.many("lines", [], "a list of lines that go through it"), *points.names()]
    passes: dict[str, Pass] = {}
    for name in names:
        line = name.upper().lstrip("/") if isinstance(name, str) else ""
        if line not in LINE and line not in declared:
            raise fields.refuse("lines", f"there is no line {name!r}", "CPU lines, ROMDIS or lines from [[lines]]")
        near, far = _two_pins(points, name) if isinstance(name, str) and name in points else (None, None)
        passes[line] = Pass(line, near, far)
    if not passes:
        raise fields.refuse("lines", "no line goes through it", "lines = [...] or a table pins of LINE = [near pin, far pin]")
    controls = fields.table("controls")
    pins = tuple((word, controls.integer(word, 1, PINS_MAX)) for word in controls.names())
    for table in (points, controls, fields):
        table.finish()
    return BoardChip(chip, kind, tuple(passes.values()), pins)


def _two_pins(points: Fields, line: str) -> tuple[int, int]:
    """Return the pins at which a line comes in, on the CPU's side, and goes out."""
    allowed = f"two pins 1..{PINS_MAX}, the CPU's side first"
    pins = points.many(line, [], allowed)
    good = [pin for pin in pins if isinstance(pin, int) and not isinstance(pin, bool) and 1 <= pin <= PINS_MAX]
    if len(pins) != 2 or len(good) != 2:
        raise points.refuse(line, f"{line} is {pins!r}", allowed)
    return good[0], good[1]


def _stimulus(fields: Fields) -> str | None:
    """Return the version of the test program that runs there, None where the machine's own program does."""
    if "program" not in fields:
        return None
    program = fields.table("program")
    version: str = program.text("stimulus")
    program.finish()
    return version


def read_contents(fields: Fields, key: str, file: Path, size: int) -> bytes:
    """Return a file of at most `size` bytes that belongs to a region."""
    try:
        contents = read_named(file, size)  # no more: a device or a disk image has no end that memory could hold
    except ValueError as exc:
        raise fields.refuse(key, f"{file}: {exc}", f"a file of 1..{size} bytes, the region's size") from None
    except OSError as exc:
        raise fields.refuse(
            key, f"cannot read {file}: {exc.strerror or exc}", "a file beside the profile, or its path from there"
        ) from None
    if not contents:
        raise fields.refuse(key, f"{file} is empty", f"a file of 1..{size} bytes, the region's size")
    return contents


def _refuse_overlap(memory: tuple[MemoryRegion, ...], fields: Fields) -> None:
    ordered = sorted(memory, key=lambda region: region.start)
    for first, second in zip(ordered, ordered[1:]):
        if second.start <= first.end:
            what = (
                f"{first.kind} 0x{first.start:04X}..0x{first.end:04X} "
                f"and {second.kind} 0x{second.start:04X}..0x{second.end:04X} overlap"
            )
            error: StrobewiseError = fields.refuse("memory", what, "regions that do not share an address")
            raise error


def _line(fields: Fields) -> ProfileLine:
    name = fields.text("name")
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name):
        raise fields.refuse("name", f"name is {name!r}", "a letter, then letters, digits and underscores")
    name = name.upper()
    active = fields.choice("active", (0, 1), None)
    if active is not None and name in LINE and LINE[name].pin is not None and active != LINE[name].active_level:
        raise fields.refuse(
            "active", f"active is {active}, but {name} is the CPU's own line", f"{LINE[name].active_level}, or no such key"
        )
    connector_pin = fields.text("connector_pin", None)
    fields.finish()
    return ProfileLine(name, active, connector_pin)


def _paging(fields: Fields, declared: dict[str, int | None]) -> Paging:
    name = fields.text("name", "paging")
    fetch_at = fields.addresses("fetch_at")
    if not fetch_at:
        raise fields.refuse("fetch_at", "fetch_at is empty", "at least one address")
    line = fields.text("responds_on", "ROMDIS").upper()
    if line not in LINE and line not in declared:
        raise fields.refuse("responds_on", f"responds_on is {line!r}", "a CPU line, ROMDIS or a line from [[lines]]")
    level = declared.get(line)
    if level is None:
        level = LINE[line].active_level if line in LINE else 0
    active = fields.choice("active", (0, 1), level)
    within = fields.integer("within_t_states", 1, 1_000_000, 4)
    released = fields.ranges("released_by_fetch_in", ())
    fields.finish()
    return Paging(name, fetch_at, line, active, within, released)


SHIPPED = Path(__file__).resolve().parent / "generic"  #: generic machines by their architecture, to start from


def shipped_profiles() -> dict[str, Path]:
    """Return the generic profiles that come with the package, by name."""
    return {path.stem: path for path in sorted(SHIPPED.glob("*.toml"))}


def find_profile(name: str) -> Path:
    """Return the file of a profile: a path, or the name of one that comes with the package. Raises ProfileError."""
    path = Path(name)
    if path.exists() or path.suffix == ".toml" or name not in shipped_profiles():
        if not path.exists() and path.suffix != ".toml":
            raise ProfileError(f"no profile {name!r}", "--machine", f"name a .toml file, or one of {', '.join(shipped_profiles())}")
        return path
    return shipped_profiles()[name]
