"""The course of wrong reads within one capture, and how long its memory holds what was written, gathered in the one pass.

A read is held against the last access to its address where that was a write, else against the ROM's image.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import BIT
from ..bus.model import KIND_INDEX
from ..cycles.engine import Batch
from ..evidence.rom_images import rom_images
from ..profile.options import Options

Int = npt.NDArray[np.int64]

ENOUGH_KEPT = 20  #: bytes that came back right sooner than the first that did not, which say that it is a matter of time; our choice
#: A cell that leaks holds its bit for longer than that, a twentieth of the 2 ms that dynamic RAM is made for (common practice): what is
#: lost sooner was never kept, as by a bit that is dead. Our choice.
LEAST_HOLD_S = 1e-4
PER_OCTAVE = 8  #: steps in which times are told apart: one is 9 %
_MEMORY = np.array([KIND_INDEX["opcode_fetch"], KIND_INDEX["memory_read"], KIND_INDEX["memory_write"]])
_WRITE = KIND_INDEX["memory_write"]
_ADDRESSES = 65536  # of 16 lines


class ReadsPart:
    """Counts reads that can be held against something, and the wrong ones, and after which time what was written is lost."""

    def __init__(self, options: Options, tick_s: float, has_rom_disable: bool) -> None:
        self._tick_s, self._rom_disable = tick_s, has_rom_disable
        self._content = np.full(_ADDRESSES, -1, np.int16)
        self._was_write = np.zeros(_ADDRESSES, np.bool_)
        self._when = np.zeros(_ADDRESSES, np.int64)
        self._image = _images(options)
        self._right = np.zeros(64 * PER_OCTAVE, np.int64)  # bytes that came back right, by the time since they were written
        self._lost: int | None = None  # the shortest time after which one did not, ticks

    def feed(self, batch: Batch, grain: int, stretches: int) -> Int:
        """Take a batch. Returns for each stretch of `grain` requests (compared, wrong): shape (stretches, 2)."""
        cycles = batch.cycles
        rows = np.flatnonzero(np.isin(cycles.kind, _MEMORY) & (cycles.address >= 0) & (cycles.data >= 0))
        counts = np.zeros((stretches, 2), np.int64)
        if not len(rows):
            return counts
        rows = rows[np.argsort(cycles.address[rows], kind="stable")]
        address, data, when = cycles.address[rows].astype(np.intp), cycles.data[rows].astype(np.int16), cycles.start[rows].astype(np.int64)
        write = cycles.kind[rows] == _WRITE
        expected, written, since = self._before(address, data, write, when)
        kept = ~write & written & (expected >= 0)
        owner = batch.request_of_cycle[rows]
        from_rom = ~write & (expected < 0) & (self._image[address] >= 0)
        if self._rom_disable:
            from_rom &= batch.requests.control[owner] & (1 << BIT["ROMDIS"]) == 0
        held = kept | from_rom
        wrong = held & (data != np.where(kept, expected, self._image[address]))
        self._ages(when[kept] - since[kept], wrong[kept])
        stretch = np.minimum(owner // grain, stretches - 1)
        counts[:, 0] = np.bincount(stretch[held], minlength=stretches)
        counts[:, 1] = np.bincount(stretch[wrong], minlength=stretches)
        return counts

    def _before(
        self, address: npt.NDArray[np.intp], data: npt.NDArray[np.int16], write: npt.NDArray[np.bool_], when: Int
    ) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.bool_], Int]:
        """Return what each access finds there: the byte, whether the last access wrote it, and when. Arrays by address, then time."""
        first = np.r_[True, address[1:] != address[:-1]]
        last = np.r_[first[1:], True]
        expected = np.where(first, self._content[address], np.r_[np.int16(-1), data[:-1]]).astype(np.int16)
        written = np.where(first, self._was_write[address], np.r_[False, write[:-1]])
        since = np.where(first, self._when[address], np.r_[np.int64(0), when[:-1]])
        ends = np.flatnonzero(last)
        self._content[address[ends]], self._was_write[address[ends]], self._when[address[ends]] = data[ends], write[ends], when[ends]
        return np.where(written, expected, np.int16(-1)).astype(np.int16), np.asarray(written, np.bool_), np.asarray(since, np.int64)

    def _ages(self, age: Int, wrong: npt.NDArray[np.bool_]) -> None:
        if wrong.any():
            shortest = int(age[wrong].min())
            self._lost = shortest if self._lost is None else min(self._lost, shortest)
        self._right += np.bincount(_bins(age[~wrong]), minlength=len(self._right))

    def holds_s(self) -> float | None:
        """Return the time after which a byte was lost first, seconds; None where none was, or where time has nothing to do with it."""
        if self._lost is None:
            return None
        sooner = int(self._right[: int(_bins(np.array([self._lost]))[0])].sum())
        time = self._lost * self._tick_s
        return time if sooner >= ENOUGH_KEPT and time >= LEAST_HOLD_S else None


def _bins(age: Int) -> npt.NDArray[np.intp]:
    return (np.log2(np.maximum(age, 1)) * PER_OCTAVE).astype(np.intp)


def _images(options: Options) -> npt.NDArray[np.int16]:
    """Return what the ROMs hold, -1 where nobody knows, or where two versions of one differ."""
    known = np.full(_ADDRESSES, -1, np.int16)
    unsure = np.zeros(_ADDRESSES, np.bool_)
    for _, start, content in rom_images(options):
        own = np.frombuffer(content, np.uint8)[: _ADDRESSES - start].astype(np.int16)
        there = known[start : start + len(own)]
        unsure[start : start + len(own)] |= (there >= 0) & (there != own)
        there[:] = own
    known[unsure] = -1
    return known
