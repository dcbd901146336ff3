"""Reads from a ROM against its image: which bits differ, where, how often, and what one address or data fault would explain.

A fault of a line is the same in every read. So it is held against every read, the right ones too: an address line that is stuck gives
another byte wherever the image has one there, and two lines that are one are equal where the image has them differ.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..profile.options import Options
from ..records.memory import Bridged, RomCheck

_BITS = np.arange(8, dtype=np.uint8)
_VALUES = np.arange(256)
_BITS_OF_VALUE = (_VALUES[:, None] >> _BITS & 1).astype(np.int64)  #: shape (256, 8)

Counts = npt.NDArray[np.int64]
Offsets = npt.NDArray[np.intp]


class RomPart:
    """Compares reads of one image."""

    def __init__(self, name: str, start: int, content: bytes) -> None:
        self._name, self._start = name, start
        self._image = np.frombuffer(content, np.uint8)
        self._end = start + len(content) - 1
        self._right = np.zeros(256, np.int64)  # reads by the byte that the image has
        self._pairs = np.zeros((256, 256), np.int64)  # of these the wrong ones, by that byte and the one that came
        self._good, self._bad = np.zeros(len(content), np.bool_), np.zeros(len(content), np.bool_)
        self._wrong_byte = np.full(len(content), -1, np.int16)  # that an address gave first
        self._otherwise = 0
        self._explained: dict[str, int] = {}
        self._span: list[int] = []

    def feed(self, address: npt.NDArray[np.uint16], data: npt.NDArray[np.uint8], time: Counts) -> None:
        """Take reads. address, data, time: shape (n,), in order of time; time in ticks."""
        inside = (address >= self._start) & (address <= self._end)
        if not inside.any():
            return
        offset, got, when = address[inside].astype(np.intp) - self._start, data[inside], time[inside]
        right = self._image[offset]
        self._right += np.bincount(right, minlength=256)
        wrong = got != right
        self._good[offset[~wrong]] = True
        if not wrong.any():
            return
        offset, got, right, when = offset[wrong], got[wrong], right[wrong], when[wrong]
        self._bad[offset] = True
        new = self._wrong_byte[offset] < 0
        self._wrong_byte[offset[new]] = got[new]
        self._otherwise += int(np.count_nonzero(self._wrong_byte[offset] != got))
        self._pairs += np.bincount(right.astype(np.intp) << 8 | got, minlength=65536).reshape(256, 256)
        self._span = [self._span[0] if self._span else int(when[0]), int(when[-1])]
        self._explain(offset, got)

    def _explain(self, offset: Offsets, got: npt.NDArray[np.uint8]) -> None:
        """Count the wrong reads that a single open, stuck or swapped address line would give."""
        bits = range(max(1, len(self._image) - 1).bit_length())
        names = [f"A{bit}={level}" for bit in bits for level in (0, 1)]
        names += [f"A{bit}<>A{second}" for bit in bits for second in bits[bit + 1 :]]
        for name in names:
            other = _elsewhere(name, offset)
            fits = other < len(self._image)
            hits = int(np.count_nonzero(self._image[other[fits]] == got[fits]))
            if hits:
                self._explained[name] = self._explained.get(name, 0) + hits

    def _contradicts(self, name: str) -> int:
        """Count the addresses that gave the right byte where such a line would have given another."""
        offset = np.flatnonzero(self._good)
        other = _elsewhere(name, offset)
        fits = other < len(self._image)
        return int(np.count_nonzero(self._image[other[fits]] != self._image[offset[fits]]))

    def record(self, tick_s: float) -> RomCheck:
        """Return what the reads came to. tick_s: seconds a tick."""
        wrong, compared = int(self._pairs.sum()), int(self._right.sum())
        ones = (self._right @ _BITS_OF_VALUE).tolist()
        up, down = ((self._pairs * _lacks(*way)).sum(axis=(1, 2)).tolist() for way in ((_VALUES, ~_VALUES), (~_VALUES, _VALUES)))
        likely = [name for name, count in self._explained.items() if 3 * count >= wrong]
        return RomCheck(
            self._name, self._start, compared, wrong, int(self._bad.sum()), int((self._good | self._bad).sum()), up, down,
            [compared - n for n in ones], ones, {name: self._explained[name] for name in likely},
            self._span[0] * tick_s if self._span else None, self._span[1] * tick_s if self._span else None,
            int((self._good & self._bad).sum()), {name: self._contradicts(name) for name in likely}, self._bridged() if wrong else None,
            self._otherwise, (int(self._pairs.sum(axis=0).argmax()), int(self._pairs.sum(axis=0).max())) if wrong else (0, 0),
        )  # fmt: skip

    def _bridged(self) -> Bridged:
        """Return the two data lines that, were they one, would explain most of the wrong reads."""
        found = []
        for low in range(8):
            for high in range(low + 1, 8):
                differ = (_VALUES >> low ^ _VALUES >> high) & 1 == 1
                both = np.where(differ, _VALUES & ~(1 << low | 1 << high), _VALUES)  # whoever pulls low wins
                found.append(Bridged(low, high, int(self._pairs[_VALUES, both].sum()), int(self._right[differ].sum())))
        return max(found, key=lambda pair: pair.wrong)


def _lacks(want: npt.NDArray[np.int64], miss: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Return, for each data bit, right byte and byte that came, whether the one is set in `miss` and the other in `want`."""
    came = want[None, :] >> _BITS[:, None] & 1 == 1
    right = miss[None, :] >> _BITS[:, None] & 1 == 1
    return np.asarray(right[:, :, None] & came[:, None, :])


def _elsewhere(name: str, offset: Offsets) -> Offsets:
    """Return which addresses the chip sees where a line is stuck ("A5=1") or two are swapped ("A5<>A6")."""
    if "=" in name:
        line, level = name.split("=")
        bit = 1 << int(line[1:])
        return offset | bit if level == "1" else offset & ~bit
    first, second = (int(line[1:]) for line in name.split("<>"))
    differ = (offset >> first ^ offset >> second) & 1
    return np.asarray(offset ^ (differ << first) ^ (differ << second))


def likeliest_versions(roms: list[RomCheck]) -> list[RomCheck]:
    """Return of the images that begin at one address, versions of one ROM, only the one from which the fewest reads differ."""
    best: dict[int, RomCheck] = {}
    for rom in roms:
        if rom.start not in best or rom.wrong < best[rom.start].wrong:
            best[rom.start] = rom
    return list(best.values())


def bit_sums(values: npt.NDArray[np.uint8]) -> Counts:
    """Return how many of the bytes have each bit set, bit 0 first."""
    return np.asarray(np.bincount(values, minlength=256) @ _BITS_OF_VALUE)


def rom_images(options: Options) -> list[tuple[str, int, bytes]]:
    """Return (name, start, content) of the ROMs that the user named, then of those that the profile brings."""
    images = list(options.roms)
    for region in options.profile.memory if options.profile is not None else ():
        content = region.contents
        if region.kind == "rom" and content and not any(start == region.start for _, start, _ in images):
            images.append((str(region.file), region.start, content[: region.end - region.start + 1]))
    return images
