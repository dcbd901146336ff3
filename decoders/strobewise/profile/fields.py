"""Reading TOML tables with care: every key is checked, and what is wrong is said with the file, the key and what is allowed."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Never, TypeVar, cast

from ..errors import StrobewiseError
from ..files.names import named_in
from ..files.plain_data import Toml
from ..files.reading import read_toml

#: In place of a default where a key must be there. As the type of nothing it adds none to what a method returns.
_MISSING: Never = cast(Never, object())
#: Tables of one kind: no machine has as many parts, no repair as many steps. Each is held against the others, so that a file from elsewhere
#: with 50,000 would keep its reader waiting.
TABLES_MAX = 1000
T = TypeVar("T")
D = TypeVar("D")


def load_toml(path: Path, error: type[StrobewiseError]) -> dict[str, Toml]:
    """Return a TOML file's top table. Raises `error` when it cannot be read or is no TOML."""
    try:
        return read_toml(path)
    except OSError as exc:
        raise error(f"cannot read it: {exc.strerror or exc}", str(path), "give an existing TOML file") from None
    except tomllib.TOMLDecodeError as exc:
        raise error(f"not valid TOML: {exc}", str(path), "correct that line") from None
    except ValueError as exc:
        raise error(f"not valid TOML: {exc}", str(path), "give a TOML file") from None


def _shown(number: float) -> str:
    return str(number) if isinstance(number, int) else f"{number:g}"


class Fields:
    """One TOML table. Take its keys one by one, then call `finish`, which refuses the keys that nobody took."""

    def __init__(self, table: dict[str, Toml], path: Path, error: type[StrobewiseError], place: str = "") -> None:
        """place: how to reach this table from the top of the file, such as "memory[2]"."""
        self._table = table
        self._path = path
        self._error = error
        self._place = place
        self._taken: list[str] = []

    def key(self, name: str) -> str:
        """Return a key's full name for messages."""
        return f"{self._place}.{name}" if self._place else name

    def refuse(self, name: str, what: str, allowed: str) -> StrobewiseError:
        """Return the error that says what is wrong with a key."""
        return self._error(what, f"{self._path}, {self.key(name)}", allowed)

    def __contains__(self, name: str) -> bool:
        return name in self._table

    @property
    def place(self) -> str:
        """How to reach this table from the top of the file; empty for the top."""
        return self._place

    def names(self) -> tuple[str, ...]:
        """Return the keys that the table has, for tables whose keys the user chooses."""
        return tuple(self._table)

    def nested(self, name: str, table: dict[str, Toml]) -> Fields:
        """Return a table that was taken as a raw value."""
        return Fields(table, self._path, self._error, self.key(name))

    def _take(self, name: str, default: object, allowed: str) -> Toml:
        self._taken.append(name)
        if name in self._table:
            return self._table[name]
        if default is _MISSING:
            raise self.refuse(name, f"{name} is missing", allowed)
        return _MISSING

    def raw(self, name: str, default: D, allowed: str) -> Toml | D:
        """Return a value of any type; the caller checks it."""
        value = self._take(name, default, allowed)
        return default if value is _MISSING else value

    def text(self, name: str, default: D = _MISSING) -> str | D:
        value = self._take(name, default, "a text")
        if value is _MISSING:
            return default
        if not isinstance(value, str) or not value:
            raise self.refuse(name, f"{name} is {value!r}", "a text that is not empty")
        return value

    def file_name(self, name: str, default: D = _MISSING) -> str | D:
        value = self.text(name, default)
        if isinstance(value, str) and "\0" in value:
            raise self.refuse(name, f"{name} is {value!r}", "a file name")
        return value

    def file(self, name: str) -> Path | None:
        """Return the path of a file that is named from this one's folder, None where none is."""
        value = self.file_name(name, None)
        return None if value is None else Path(named_in(self._path, value))

    def boolean(self, name: str, default: D = _MISSING) -> bool | D:
        value = self._take(name, default, "true or false")
        if value is _MISSING:
            return default
        if not isinstance(value, bool):
            raise self.refuse(name, f"{name} is {value!r}", "true or false")
        return value

    def integer(self, name: str, low: int, high: int, default: D = _MISSING, base: int = 10) -> int | D:
        """base: 16 where the limits are better read in hexadecimal."""
        allowed = f"a whole number {low}..{high}" if base == 10 else f"a whole number 0x{low:04X}..0x{high:04X}"
        value = self._take(name, default, allowed)
        return default if value is _MISSING else self._in_range(name, value, low, high, allowed)

    def _in_range(self, name: str, value: Toml, low: int, high: int, allowed: str) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            shown = repr(value)
            if isinstance(value, int) and not isinstance(value, bool) and "0x" in allowed:
                shown = f"{'-' if value < 0 else ''}0x{abs(value):X}"
            raise self.refuse(name, f"{name} is {shown}", allowed)
        return value

    def address(self, name: str, default: D = _MISSING) -> int | D:
        return self.integer(name, 0, 0xFFFF, default, 16)

    def number(self, name: str, low: float, high: float, default: D = _MISSING) -> float | D:
        allowed = f"a number {_shown(low)}..{_shown(high)}"
        value = self._take(name, default, allowed)
        if value is _MISSING:
            return default
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise self.refuse(name, f"{name} is {value!r}", allowed)
        return value

    def choice(self, name: str, allowed: Sequence[T], default: D = _MISSING) -> T | D:
        listed = "one of " + ", ".join(str(item) for item in allowed)
        value = self._take(name, default, listed)
        if value is _MISSING:
            return default
        found = next((item for item in allowed if item == value and not isinstance(value, bool)), _MISSING)
        if found is _MISSING:
            raise self.refuse(name, f"{name} is {value!r}{self._nearest(value, allowed)}", listed)
        return found

    def many(self, name: str, default: D = _MISSING, allowed: str = "a list") -> list[Toml] | D:
        """Return a list as it stands; the caller checks its items."""
        value = self._listed(name, default, allowed)
        return default if value is None else value

    def _listed(self, name: str, default: object, allowed: str) -> list[Toml] | None:
        """Return the list under a key; None where the default takes its place."""
        value = self._take(name, default, allowed)
        if value is _MISSING:
            return None
        if not isinstance(value, list):
            raise self.refuse(name, f"{name} is {value!r}", allowed)
        return value

    def addresses(self, name: str, default: D = _MISSING) -> tuple[int, ...] | D:
        allowed = "a list of addresses 0x0000..0xFFFF"
        value = self._listed(name, default, allowed)
        return default if value is None else tuple(self._in_range(name, v, 0, 0xFFFF, allowed) for v in value)

    def ranges(self, name: str, default: D = _MISSING) -> tuple[tuple[int, int], ...] | D:
        """Return a list of [first, last] address pairs as tuples."""
        allowed = "a list of pairs [first, last] of addresses 0x0000..0xFFFF, first not above last"
        value = self._listed(name, default, allowed)
        if value is None:
            return default
        return tuple(self._pair(name, pair, allowed) for pair in value)

    def _pair(self, name: str, pair: Toml, allowed: str) -> tuple[int, int]:
        if not isinstance(pair, list) or len(pair) != 2:
            raise self.refuse(name, f"{name} holds {pair!r}", allowed)
        first, last = (self._in_range(name, end, 0, 0xFFFF, allowed) for end in pair)
        if first > last:
            raise self.refuse(name, f"{name} holds [0x{first:04X}, 0x{last:04X}]", allowed)
        return first, last

    def choices(self, name: str, allowed: Sequence[T], default: D = _MISSING) -> tuple[T, ...] | D:
        listed = "a list of " + ", ".join(map(str, allowed))
        value = self._listed(name, default, listed)
        if value is None:
            return default
        for item in value:
            if item not in allowed:
                raise self.refuse(name, f"{name} holds {item!r}{self._nearest(item, allowed)}", listed)
        return tuple(allowed[allowed.index(item)] for item in value)

    def table(self, name: str) -> Fields:
        """Return the table under a key; an empty one where it is absent."""
        value = self._take(name, None, "a table")
        if value is _MISSING:
            value = {}
        if not isinstance(value, dict):
            raise self.refuse(name, f"{name} is {value!r}", f"a table: [{self.key(name)}]")
        return Fields(value, self._path, self._error, self.key(name))

    def tables(self, name: str) -> list[Fields]:
        """Return the tables of an array of tables, none where it is absent; they are counted from 1 in messages."""
        value = self._take(name, None, "tables")
        if value is _MISSING:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.refuse(name, f"{name} is not an array of tables", f"one table for each: [[{self.key(name)}]]")
        if len(value) > TABLES_MAX:
            raise self.refuse(name, f"{name} has {len(value)} tables", f"{TABLES_MAX} at most")
        return [
            Fields(item, self._path, self._error, f"{self.key(name)}[{index}]") for index, item in enumerate(value, 1)
        ]

    def finish(self) -> None:
        """Raise for the first key that nobody has taken."""
        for name in self._table:
            if name not in self._taken:
                known = ", ".join(sorted(set(self._taken)))
                raise self.refuse(name, f"unknown key {name!r}{self._nearest(name, self._taken)}", f"one of {known}")

    @staticmethod
    def _nearest(value: object, allowed: Sequence[object]) -> str:
        texts = [str(item) for item in allowed]
        close = difflib.get_close_matches(str(value), texts, 1) if isinstance(value, str) else []
        if not close and isinstance(value, str):
            close = [text for text in texts if text.lower() == value.lower()]
        return f", perhaps {close[0]}" if close else ""
