"""From what captures show to what a profile says: the clock, the interrupt, stretches of memory, a paging device."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..diagnosis.examined import Examined
from ..diagnosis.facade import Diagnosis, conclude, examine
from ..errors import UsageError
from ..profile.options import Options
from .watch import PAGE, Learner, Seen

CHIP_PAGES = 16  #: pages within which memory is of one kind, most likely: few chips of the time hold less than 4 KB (common practice)
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
    touched = _by_page(seen.fetched | seen.read | seen.written)
    ram = _ram_pages(seen)
    lowest = PAGE * int(np.argmax(ram)) if ram.any() else 0x10000
    made: list[Region] = []
    for start in (PAGE * np.flatnonzero(touched)).tolist():
        kind = "ram" if ram[start // PAGE] else _kind(seen, slice(start, start + PAGE), start < lowest)
        last = made[-1] if made else None
        if last is not None and last.kind == kind:
            spans = last.seen
            joined = (*spans[:-1], (spans[-1][0], start + PAGE - 1)) if spans[-1][1] + 1 == start else (*spans, (start, start + PAGE - 1))
            made[-1] = last._replace(end=start + PAGE - 1, seen=joined)
        else:
            made.append(Region(kind, start, start + PAGE - 1, ((start, start + PAGE - 1),)))
    return made


def _ram_pages(seen: Seen) -> npt.NDArray[np.bool_]:
    """Return which pages are RAM: those that gave back what was written, and those that were written where nothing near speaks against it.

    A program writes into its ROM now and then, in vain.
    """
    written, kept, lost, used = (_by_page(flags) for flags in (seen.written, seen.kept, seen.lost, seen.fetched))
    ram = kept.copy()
    for page in np.flatnonzero(written & ~kept & ~lost):
        near = [slice(max(0, page - CHIP_PAGES), page), slice(page + 1, page + 1 + CHIP_PAGES)]
        ram[page] = any(kept[part].any() for part in near) or not any((used | lost)[part].any() for part in near)
    return ram


def _by_page(flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Say for each page whether any address of it is flagged."""
    pages: npt.NDArray[np.bool_] = np.logical_or.reduce(flags.reshape(-1, PAGE), axis=1)
    return pages


def _kind(seen: Seen, page: slice, below_ram: bool) -> str:
    """Say what a page is that is no RAM: ROM gave a program, kept its bytes, and lies below all RAM."""
    values = seen.byte[page][seen.byte[page] >= 0]
    if not seen.fetched[page].any():
        chip = seen.fetched[max(0, page.start - CHIP_PAGES * PAGE) : page.stop + CHIP_PAGES * PAGE]
        erased = len(values) >= FITS_ALL and bool((values == 0xFF).all())  # so is what nothing was burnt into, in a ROM with a program
        return "nothing" if erased and not chip.any() else ""
    return "rom" if below_ram and (seen.byte[page] != -2).all() else ""


def answering(seen: Seen) -> Answering | None:
    """Return which fetches the paging line answered, each time that it could; None where there were none."""
    at = sorted(address for address, times in seen.answered.items() if times > seen.passed[address])
    if not at:
        return None
    steps = sorted({address // RELEASE_STEP * RELEASE_STEP for address in seen.let_go if address not in at})
    return Answering(tuple(at), max(1, int(np.ceil(seen.longest_answer_t))), tuple((step, step + RELEASE_STEP - 1) for step in steps))


def rom_image(learned: Learned, before: bytes = b"") -> tuple[int, bytes, int] | None:
    """Return the address, the bytes and how many of them were seen of the first ROM, None where there is none.

    before: an image that is there already, which somebody may have completed: its bytes stay where none was seen, FFh stands elsewhere.
    Raises UsageError where it says another byte than was seen.
    """
    region = next((each for each in learned.regions if each.kind == "rom"), None)
    if region is None or not learned.seen.data:
        return None
    values = learned.seen.rom_bytes()[region.start : region.end + 1]
    known = values >= 0
    content = np.full(max(len(values), len(before)), 0xFF, np.uint8)
    content[: len(before)] = np.frombuffer(before, np.uint8)
    filled = content[: len(values)]
    other = np.flatnonzero(known & (filled != 0xFF) & (filled != values))
    if len(other):
        at = int(other[0])
        raise UsageError(
            f"{filled[at]:02X}h stands at 0x{region.start + at:04X}, where {values[at]:02X}h was seen, and {len(other)} bytes differ so",
            "--rom-out", "name another file, and compare the two",
        )  # fmt: skip
    filled[known] = values[known]
    return region.start, content.tobytes(), int(known.sum())
