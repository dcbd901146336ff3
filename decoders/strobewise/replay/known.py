"""The program that is known, and the memory map around it."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice, product
from typing import Dict, List, NamedTuple, Optional, Sequence, Tuple

from ..profile.options import Options
from ..records.memory import BANK
from ..records.profile import NOTHING_KNOWN, MemoryRegion, Paging, Profile
from .board import Region
from .stimulus import VERSION, stimulus_for

VERSIONS_MOST = 8  #: combinations of versions that are tried: each costs a replay


class Program(NamedTuple):
    """Images, regions, and what is known of the chips."""

    name: str  #: FILE@0xADDRESS, comma between several
    regions: Tuple[Region, ...]
    banks: Tuple[Tuple[int, int], ...]  #: of RAM, both ends included
    profile: Optional[Profile]
    described: bool  #: a profile says what memory there is

    @property
    def paging(self) -> Tuple[Paging, ...]:
        """The expansion devices that may take the ROM's place."""
        return (self.profile or NOTHING_KNOWN).paging

    @property
    def has_device(self) -> bool:
        """Whether there is one of these."""
        return bool(self.paging)


def known_programs(options: Options) -> List[Program]:
    """Return the programs that may run: one for each version of a ROM that was given, the first one first; none where none is known.

    Images that begin at the same address are versions of one ROM.
    """
    versions: Dict[int, List[Tuple[str, int, bytes]]] = {}
    for image in options.roms:
        versions.setdefault(image[1], []).append(image)
    several = [replace(options, roms=chosen) for chosen in islice(product(*versions.values()), VERSIONS_MOST)]
    programs = [program for program in map(known_program, several) if program is not None]
    return list({program.regions: program for program in reversed(programs)}.values())[::-1]


def known_program(options: Options) -> Optional[Program]:
    """Return the program that the options name, None where they name none or nothing is known of what runs after reset."""
    images: List[Tuple[str, int, bytes]] = list(options.roms)
    machine = options.profile or NOTHING_KNOWN
    told = machine.stimulus
    if options.stimulus or told is not None:
        images = [(f"stimulus {VERSION}", 0, stimulus_for(options.profile, told).image)]
    memory = machine.memory
    own = [(region.file.name, region.start, region.contents) for region in memory if region.file is not None and region.contents]
    images += [image for image in own if not _covered(image[1], images)]
    if not any(start == 0 for _, start, _ in images):
        return None
    names = ", ".join(f"{name.rsplit('/', 1)[-1]}@0x{start:04X}" for name, start, _ in images)
    regions = _regions(memory, [(start, content) for _, start, content in images])
    return Program(names, regions, _banks(regions), options.profile, bool(memory))


def _covered(address: int, images: Sequence[Tuple[str, int, bytes]]) -> bool:
    return any(start <= address < start + len(content) for _, start, content in images)


def _regions(memory: Sequence[MemoryRegion], images: Sequence[Tuple[int, bytes]]) -> Tuple[Region, ...]:
    """Lay images over the profile's regions.

    What neither describes may be a device that answers anything, or nothing at all; RAM where there is no profile.
    """
    edges = {0, 0x10000}
    for region in memory:
        edges |= {region.start, region.end + 1}
    for start, content in images:
        edges |= {start, min(start + len(content), 0x10000)}
    ordered = sorted(edges)
    found: List[Region] = []
    for start, after in zip(ordered, ordered[1:]):
        described = next((region for region in memory if start in region), None)
        image = next(((at, content) for at, content in images if at <= start < at + len(content)), None)
        if image is not None and (described is None or described.kind == "rom"):
            at, content = image
            found.append(Region("rom", start, after - 1, content[start - at : after - at]))
        else:
            kind = described.kind if described is not None else "gap" if memory else "ram"
            found.append(Region(kind, start, after - 1, None))
    return _joined(found)


def _joined(regions: List[Region]) -> Tuple[Region, ...]:
    """Join neighbouring regions without contents that are of one kind."""
    joined: List[Region] = []
    for region in regions:
        last = joined[-1] if joined else None
        if last is not None and last.kind == region.kind and last.contents is None and region.contents is None and region.kind != "ram":
            joined[-1] = last._replace(end=region.end)
        else:
            joined.append(region)
    return tuple(joined)


def _banks(regions: Sequence[Region]) -> Tuple[Tuple[int, int], ...]:
    found = []
    for region in regions:
        if region.kind != "ram":
            continue
        start = region.start
        while start <= region.end:
            end = min(region.end, (start // BANK + 1) * BANK - 1)
            found.append((start, end))
            start = end + 1
    return tuple(found)
