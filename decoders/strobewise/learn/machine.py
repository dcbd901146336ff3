"""From what captures show to what a profile says: the clock, the interrupt, stretches of memory, a paging device."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

import numpy as np

from ..diagnosis.examined import Examined
from ..diagnosis.facade import Diagnosis, conclude, examine
from ..profile.options import Options
from .watch import Learner, Seen

PAGE = 0x100  #: memory is told page by page: chips begin and end at far rounder addresses
FITS_ALL = 16  #: addresses that read FFh, and nothing else, before a stretch is called empty
RELEASE_STEP = 0x10  #: fetches that let a paging device go are told in stretches of so many addresses
MEASURED = ("CLK", "given", "clocked")


class Region(NamedTuple):
    """A stretch of memory of one kind."""

    kind: str  #: "rom", "ram", "nothing"; "" where it was only read, and may be either
    start: int
    end: int  #: inclusive
    seen: tuple[tuple[int, int], ...]  #: stretches of pages that were touched


class Answering(NamedTuple):
    """What a paging device answers to."""

    fetch_at: tuple[int, ...]
    within_t: int
    released: tuple[tuple[int, int], ...]


class Learned(NamedTuple):
    """What is known of the machine."""

    captures: tuple[str, ...]
    clock_hz: int | None
    clock_measured: bool
    interrupt_t: int | None
    regions: tuple[Region, ...]
    paging: Answering | None
    seen: Seen


def learn(paths: Sequence[str], options: Options) -> tuple[Learned, list[Diagnosis]]:
    """Read healthy captures of one machine; return what they show of it, and the diagnosis of each.

    Raises StrobewiseError, OSError.
    """
    seen, diagnoses, found = Seen(), [], []
    for path in paths:
        learner = Learner()
        found.append(examine(path, options, None, [learner.attach]))
        diagnoses.append(conclude([found[-1]]))
        seen.add(learner.seen)
    clocks, measured = _clocks(found)
    periods = [period for each in found if (period := _period_t(each)) is not None]
    return Learned(
        tuple(paths), round(median(clocks)) if clocks else None, measured, round(median(periods)) if periods else None,
        tuple(regions(seen)), answering(seen), seen,
    ), diagnoses  # fmt: skip


def _clocks(found: Sequence[Examined]) -> tuple[list[float], bool]:
    """Return the clocks that were measured or given, else the estimates; and which of the two they are."""
    clocks = [(each.evidence.clock_hz, each.evidence.clock.source) for each in found]
    sure = [hz for hz, source in clocks if hz and source in MEASURED]
    return (sure, True) if sure else ([hz for hz, _ in clocks if hz], False)


def _period_t(examined: Examined) -> float | None:
    timing, hz = examined.evidence.timing, examined.evidence.clock.hz
    if timing is None or timing.interrupts is None or timing.interrupts.period_s is None or not hz:
        return None
    return timing.interrupts.period_s * hz


def regions(seen: Seen) -> list[Region]:
    """Return the stretches of memory in order; what lies between two of one kind is taken to be of that kind, and not called seen."""
    touched = seen.fetched | seen.read | seen.written
    lowest = int(np.argmax(seen.written)) if seen.written.any() else 0x10000
    made: list[Region] = []
    for start in range(0, 0x10000, PAGE):
        page = slice(start, start + PAGE)
        if not touched[page].any():
            continue
        kind = _kind(seen, page, start < lowest)
        last = made[-1] if made else None
        if last is not None and last.kind == kind:
            spans = last.seen
            joined = (*spans[:-1], (spans[-1][0], start + PAGE - 1)) if spans[-1][1] + 1 == start else (*spans, (start, start + PAGE - 1))
            made[-1] = last._replace(end=start + PAGE - 1, seen=joined)
        else:
            made.append(Region(kind, start, start + PAGE - 1, ((start, start + PAGE - 1),)))
    return made


def _kind(seen: Seen, page: slice, below_ram: bool) -> str:
    """Say what a page is: RAM was written; ROM gave a program, kept its bytes, and lies below all that was written."""
    if seen.written[page].any():
        return "ram"
    values = seen.byte[page][seen.byte[page] >= 0]
    if not seen.fetched[page].any():
        return "nothing" if len(values) >= FITS_ALL and (values == 0xFF).all() else ""
    return "rom" if below_ram and (seen.byte[page] != -2).all() else ""


def answering(seen: Seen) -> Answering | None:
    """Return which fetches the paging line answered, each time that it could; None where there were none."""
    at = sorted(address for address, times in seen.answered.items() if times > seen.passed[address])
    if not at:
        return None
    steps = sorted({address // RELEASE_STEP * RELEASE_STEP for address in seen.let_go if address not in at})
    return Answering(tuple(at), max(1, int(np.ceil(seen.longest_answer_t))), tuple((step, step + RELEASE_STEP - 1) for step in steps))


def rom_image(learned: Learned) -> tuple[int, bytes, int] | None:
    """Return the address, the bytes and how many of them were seen of the first ROM; what was not seen is FFh. None where there is none."""
    region = next((each for each in learned.regions if each.kind == "rom"), None)
    if region is None or not learned.seen.data:
        return None
    values = learned.seen.rom_bytes()[region.start : region.end + 1]
    known = values >= 0
    return region.start, np.where(known, values, 0xFF).astype(np.uint8).tobytes(), int(known.sum())
