"""What a capture shows of the things that expectations speak of: gathered in the one pass of the diagnosis."""

from __future__ import annotations

import fnmatch
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from ..bus.calibration import Calibration
from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX, NOTE_INDEX
from ..capture.channels.mapping import ChannelMap
from ..compare.edges import Run, RunPart, edge_delays
from ..cpu.disassembly import render
from ..cycles.engine import Batch
from ..cycles.requests import BlockEvents
from ..cycles.table import DTYPES, CycleTable
from ..diagnosis.facade import Diagnosis, conclude, examine
from ..errors import LineMapError
from ..evidence.listing import Program
from ..evidence.part import Part
from ..evidence.parts import Maker
from ..learn.watch import Learner
from ..learn.watch import Seen as MemorySeen
from ..profile.options import Options, read_rom
from ..program.steps import Step
from ..records.evidence import BusEvidence
from .model import Event, ExpectationError, Expectations

DIGEST_COLUMNS = tuple(name for name in DTYPES if name not in ("start", "end"))  #: times move with the capture's start
FEW_INTERRUPTS = 3  #: fewer say nothing of a rate
UNEVEN = 0.25  #: of the usual distance between two interrupts: a few that are further off whole multiples of it say nothing, either
SOME_INTERRUPTS = 8  #: distances that are no few
_ACKNOWLEDGE, _FETCH = KIND_INDEX["interrupt_acknowledge"], KIND_INDEX["opcode_fetch"]
_HALT = NOTE_INDEX["halt"]


@dataclass
class Seen:
    """How often an event happened."""

    count: int = 0
    first_s: float | None = None
    cannot_tell: str = ""  #: why nobody can tell, empty where the count stands


@dataclass
class Observation:
    """One capture, diagnosed and measured."""

    diagnosis: Diagnosis
    digest: str
    events: tuple[Seen, ...]  #: in the order of Expectations.events
    interrupts: int = 0
    interrupts_per_second: float | None = None
    interrupts_unsure: float = 0.0  #: by which share of it the rate may be off, since an interrupt waits for its instruction
    halted: int = 0  #: fetches of a halted CPU, as far as /HALT was captured
    timing_ns: dict[str, float] = field(default_factory=dict)
    uncertainty_ns: float | None = None  #: one sample
    memory: MemorySeen = field(default_factory=MemorySeen)

    @property
    def evidence(self) -> BusEvidence:
        """The evidence of the diagnosis."""
        return self.diagnosis.evidence


def options_of(expected: Expectations, given: Options | None = None) -> Options:
    """Return how to read the captures: what the file says, and above it what the caller gives.

    Raises ProfileError, and ExpectationError for a ROM that cannot be read.
    """
    given = given or Options()
    profile = given.profile
    if profile is None and expected.machine is not None:
        from ..profile.machine import load_profile

        profile = load_profile(expected.machine)
    mapped = {text.partition("=")[0] for text in given.maps}
    maps = tuple(text for text in expected.maps if text.partition("=")[0] not in mapped) + given.maps
    roms = given.roms or tuple((str(path), address, _content(path, address, expected)) for path, address in expected.roms)
    clock, places = given.clock_hz or expected.clock_hz, {**expected.probe_at, **given.probe_at}
    return replace(given, maps=maps, clock_hz=clock, profile=profile, roms=roms, probe_at=places, clocked=given.clocked or expected.clocked)


def _content(path: Path, address: int, expected: Expectations) -> bytes:
    try:
        return read_rom(path, address)
    except ValueError as error:
        raise ExpectationError(f"{path}: {error}", f"{expected.path}, rom", "check the file and the address") from None
    except OSError as error:
        raise ExpectationError(f"cannot read {path}: {error.strerror or error}", f"{expected.path}, rom", "check the name") from None


def observe(
    capture: str | Path, options: Options, events: Sequence[Event] = (), progress: Callable[[int], None] | None = None,
    more_parts: Sequence[Maker] = (),
) -> Observation:  # fmt: skip
    """Diagnose a capture and measure what expectations speak of. more_parts: that look on as well. Raises StrobewiseError, OSError."""
    cycles, kept = _CycleWatch(events), RunPart(with_flow=False)
    listed = _InstructionWatch([event for event in events if event.instruction is not None])
    learner = Learner()
    makers = [cycles.attach, kept.attach, learner.attach, *([listed.attach] if listed.seen else []), *more_parts]
    examined = examine(str(capture), options, progress, makers)
    instructions = iter(listed.seen)
    found = tuple(next(instructions) if event.instruction is not None else seen for event, seen in zip(events, cycles.seen, strict=True))
    sample = examined.sample_interval_s
    return Observation(
        conclude([examined]), cycles.digest(), found, len(cycles.interrupts), *interrupt_rate(cycles.interrupts, examined.tick_s),
        cycles.halted, _delays_ns(kept.run(examined)), None if sample is None else sample * 1e9, learner.seen,
    )  # fmt: skip


class _CycleWatch(Part):
    """A part that counts events, and takes the digest of the stream of machine cycles, whatever its batches."""

    def __init__(self, events: Sequence[Event]) -> None:
        self._events = events
        self.seen = [Seen() for _ in events]
        self._hashes = [hashlib.sha256(name.encode()) for name in DIGEST_COLUMNS]
        self.interrupts: list[int] = []  #: ticks
        self.halted = 0
        self._tick_s = 1.0

    def attach(self, captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> _CycleWatch:
        """Take note of the capture that is being opened."""
        self._tick_s = tick_s
        for event, seen in zip(self._events, self.seen, strict=True):
            missing = [] if event.address is None else [name for name in ADDRESS if name not in captured]
            missing += [] if event.data is None and event.instruction is None else [name for name in DATA if name not in captured]
            if missing:
                more = f" and {len(missing) - 3} more" if len(missing) > 3 else ""
                seen.cannot_tell = f"{', '.join(missing[:3])}{more} not captured"
        return self

    def feed(self, batch: Batch) -> None:
        """Count and digest."""
        table = batch.cycles
        for digest, name in zip(self._hashes, DIGEST_COLUMNS, strict=True):
            column = getattr(table, name)
            digest.update(np.ascontiguousarray(column).astype(column.dtype.newbyteorder("<"), copy=False).tobytes())
        self.interrupts += table.start[table.kind == _ACKNOWLEDGE].tolist()
        self.halted += int(np.count_nonzero((table.kind == _FETCH) & (table.note == _HALT)))
        for event, seen in zip(self._events, self.seen, strict=True):
            if event.instruction is not None or seen.cannot_tell:
                continue
            hit = np.ones(len(table), np.bool_)
            if event.kind is not None:
                hit &= table.kind == KIND_INDEX[event.kind]
            if event.note is not None:
                hit &= table.note == NOTE_INDEX[event.note]
            for column, pair in ((table.address, event.address), (table.data, event.data)):
                if pair is not None:
                    hit &= (column >= pair[0]) & (column <= pair[1])
            places = np.flatnonzero(hit)
            if len(places):
                seen.count += len(places)
                if seen.first_s is None:
                    seen.first_s = float(table.start[places[0]]) * self._tick_s

    def digest(self) -> str:
        """Return the digest of all cycles, times left out."""
        whole = hashlib.sha256(b"".join(part.digest() for part in self._hashes))
        return "sha256:" + whole.hexdigest()


def interrupt_rate(starts: Sequence[int], tick_s: float) -> tuple[float | None, float]:
    """Return interrupts a second, None where too few were seen, and by which share of it that may be off.

    starts: of the acknowledges, ticks. One that was not answered, as while the bus is granted, leaves a distance twice as long.
    """
    if len(starts) < FEW_INTERRUPTS:
        return None, 0.0
    distances = np.diff(np.array(starts, np.float64)) * tick_s
    usual = float(np.quantile(distances, 0.25, method="lower"))  # one that was lost makes a longer distance, nothing a shorter one
    periods = np.maximum(1, np.round(distances / usual))
    off = float(np.abs(distances - periods * usual).max())
    if len(distances) < SOME_INTERRUPTS and off > UNEVEN * usual:
        return None, 0.0
    span = float(distances.sum())
    return float(periods.sum()) / span, off / span


class _InstructionWatch(Part):
    """A part that lists the instructions, and counts those that events ask for."""

    def __init__(self, events: Sequence[Event]) -> None:
        self._events = events
        self.seen = [Seen() for _ in events]
        self._program: Program | None = None
        self._tick_s = 1.0
        self._open(frozenset())  # a capture without lines is never attached

    def _open(self, captured: frozenset[str]) -> None:
        why = ""
        try:
            self._program = Program(captured)
        except LineMapError as error:
            why = error.what
        for seen in self.seen:
            seen.cannot_tell = why

    def attach(self, captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> _InstructionWatch | None:
        """Take note of the capture that is being opened; without the lines that it takes nobody looks on."""
        self._tick_s = tick_s
        self._open(captured)
        return None if self._program is None else self

    def settled(self, calibration: Calibration) -> None:
        """Take the time base."""
        if self._program is not None:
            self._program.settled(calibration)

    def events(self, events: BlockEvents) -> None:
        """Take the resets."""
        if self._program is not None:
            self._program.events(events)

    def feed(self, batch: Batch) -> None:
        """List a batch."""
        self._count(batch.cycles)

    def fill(self, evidence: BusEvidence) -> None:
        """Leave nothing in the evidence; list what is left."""
        self._count(CycleTable.empty(), final=True)

    def _count(self, table: CycleTable, final: bool = False) -> None:
        if self._program is not None:
            for step in self._program.steps(table, final):
                _match(step, self._events, self.seen, self._tick_s)


def _delays_ns(run: Run) -> dict[str, float]:
    """Return how long behind its clock edge each strobe moves, nanoseconds, by "M1 rise"; empty without CLK."""
    if "CLK" not in run.lines:
        return {}
    delays = edge_delays(run, run.lines)
    return {f"{line} {'fall' if edge == 'assert' else 'rise'}": delay.median_s * 1e9 for (line, edge), delay in delays.items()}


def _match(step: Step, events: Sequence[Event], found: Sequence[Seen], tick_s: float) -> None:
    if step.operation is None:
        return
    text = ""
    for event, seen in zip(events, found, strict=True):
        address = -1 if step.address is None else step.address
        if seen.cannot_tell or (event.address is not None and not event.address[0] <= address <= event.address[1]):
            continue
        text = text or _spelled(render(step.operation, step.data, max(address, 0)))
        if fnmatch.fnmatchcase(text, _spelled(str(event.instruction))):
            seen.count += 1
            if seen.first_s is None:
                seen.first_s = step.start * tick_s


def _spelled(text: str) -> str:
    """Return a mnemonic without differences that say nothing: case and blanks."""
    return "".join(text.upper().split())
