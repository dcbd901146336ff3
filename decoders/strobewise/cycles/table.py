"""The cycle table: machine cycles as columns, so that a million of them cost arrays and not objects."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from strobewise.bus.model import KIND_INDEX, KINDS, NOTES, MachineCycle

Flags = NDArray[np.bool_]

#: Type of each column; the order is the order of the fields.
DTYPES: dict[str, type[np.generic]] = {
    "start": np.int64,  # ticks of the capture's timescale
    "end": np.int64,  # ticks
    "kind": np.uint8,  # index into bus.model.KINDS
    "t_states": np.int32,  # clocks, NOT_KNOWN where they cannot be told
    "wait_states": np.int16,  # clocks that /WAIT asked for, NOT_KNOWN where they cannot be told
    "address": np.int32,  # 0..0xFFFF, NOT_KNOWN where not captured
    "data": np.int16,  # 0..0xFF, NOT_KNOWN where not captured
    "inferred": np.bool_,  # concluded without the kind's own strobe
    "note": np.uint8,  # index into bus.model.NOTES
}
NOT_KNOWN = -1  #: no address, no byte and no length
MAY_BE_UNKNOWN = ("t_states", "wait_states", "address", "data")  #: columns in which NOT_KNOWN may stand


@dataclass(frozen=True, eq=False)
class CycleTable:
    """Machine cycles in order of their start: one array per column, all of one length, types as in DTYPES."""

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    kind: NDArray[np.uint8]
    t_states: NDArray[np.int32]
    wait_states: NDArray[np.int16]
    address: NDArray[np.int32]
    data: NDArray[np.int16]
    inferred: NDArray[np.bool_]
    note: NDArray[np.uint8]

    def __post_init__(self) -> None:
        for name, dtype in DTYPES.items():
            column = getattr(self, name)
            if column.dtype != dtype or column.shape != (len(self.start),):
                raise ValueError(f"column {name!r} must be {dtype.__name__} of shape ({len(self.start)},), "
                                 f"not {column.dtype} of shape {column.shape}")  # fmt: skip

    def __len__(self) -> int:
        return len(self.start)

    def __getitem__(self, which: slice | NDArray[np.bool_] | NDArray[np.intp]) -> CycleTable:
        """Return the rows of a slice, a mask or an index array as a table of their own."""
        return CycleTable(**{name: getattr(self, name)[which] for name in DTYPES})

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, CycleTable):
            return NotImplemented
        return all(np.array_equal(getattr(self, f.name), getattr(other, f.name)) for f in fields(self))

    __hash__ = None  # type: ignore[assignment]  # arrays can change, so a table is no key

    @classmethod
    def build(
        cls,
        start: NDArray[np.int64],
        end: NDArray[np.int64],
        kind: NDArray[np.uint8],
        **columns: NDArray[np.generic],
    ) -> CycleTable:
        """Make a table from the columns at hand, cast to DTYPES; the others say "not known", not inferred, no note."""
        given: dict[str, NDArray[np.generic]] = {"start": start, "end": end, "kind": kind, **columns}
        n = len(start)
        full = {}
        for name, dtype in DTYPES.items():
            default = NOT_KNOWN if name in MAY_BE_UNKNOWN else 0
            full[name] = np.asarray(given.pop(name), dtype) if name in given else np.full(n, default, dtype)
        if given:
            raise TypeError(f"no such column: {', '.join(given)}")
        return cls(**full)

    @classmethod
    def empty(cls) -> CycleTable:
        """Return a table without a row."""
        return cls(**{name: np.empty(0, dtype) for name, dtype in DTYPES.items()})

    @classmethod
    def concatenate(cls, tables: Iterable[CycleTable]) -> CycleTable:
        """Return the rows of all tables, in the order given, as one table."""
        parts = list(tables)
        if not parts:
            return cls.empty()
        if len(parts) == 1:
            return parts[0]
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in DTYPES})

    @classmethod
    def from_rows(cls, rows: Iterable[MachineCycle]) -> CycleTable:
        """Return records as a table (the inverse of ``rows``)."""
        records = list(rows)
        missing = NOT_KNOWN
        values: dict[str, list[int]] = {
            "start": [r.start for r in records],
            "end": [r.end for r in records],
            "kind": [KIND_INDEX[r.kind] for r in records],
            "t_states": [missing if r.t_states is None else r.t_states for r in records],
            "wait_states": [missing if r.wait_states is None else r.wait_states for r in records],
            "address": [missing if r.address is None else r.address for r in records],
            "data": [missing if r.data is None else r.data for r in records],
            "inferred": [r.inferred for r in records],
            "note": [NOTES.index(r.note) for r in records],
        }
        return cls(**{name: np.array(values[name], dtype) for name, dtype in DTYPES.items()})

    def rows(self) -> Iterator[MachineCycle]:
        """Yield the cycles as records: for tests, small captures and display, not for millions."""

        def known(column: NDArray[np.generic]) -> list[int | None]:
            return [None if value == NOT_KNOWN else value for value in column.tolist()]

        columns = zip(
            self.kind.tolist(), self.start.tolist(), self.end.tolist(), known(self.t_states), known(self.wait_states),
            known(self.address), known(self.data), self.inferred.tolist(), self.note.tolist(), strict=True,
        )  # fmt: skip
        for kind, start, end, t_states, wait_states, address, data, inferred, note in columns:
            yield MachineCycle(KINDS[kind], start, end, t_states, wait_states, address, data, inferred, NOTES[note])
