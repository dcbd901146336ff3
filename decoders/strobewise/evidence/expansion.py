"""What an expansion device was asked and what it answered: paging triggers, answers, releases; and whether the host's ROM obeyed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KIND_INDEX
from ..capture.channels.mapping import ChannelMap
from ..capture.records import Block
from ..cycles.engine import Batch
from ..profile.options import Options
from ..records.evidence import BusEvidence
from ..records.expansion import SLACK_T, PagingRecord, Trigger
from ..records.profile import Paging
from .part import Part
from .rom_images import bit_sums, rom_images

_FETCH = KIND_INDEX["opcode_fetch"]
_READ = KIND_INDEX["memory_read"]
EVENTS_KEPT = 200_000  #: triggers, releases and changes of the answering line kept one by one


class ExpansionPart(Part):
    """Collects one :class:`PagingRecord` for each paging arrangement of the profile."""

    def __init__(
        self, pagings: list[tuple[Paging, int]], tick_s: float, has_m1: bool, has_data: bool, images: list[tuple[str, int, bytes]]
    ) -> None:
        self._watches = [_Watch(paging, bit, has_m1, images) for paging, bit in pagings]
        self._tick_s = tick_s
        self._has_data = has_data

    def block(self, block: Block) -> None:
        """Follow the answering lines."""
        for watch in self._watches:
            watch.follow(block)

    def feed(self, batch: Batch) -> None:
        """Note triggers and releases."""
        for watch in self._watches:
            watch.feed(batch, self._has_data)

    def fill(self, evidence: BusEvidence) -> None:
        """Set the field of the evidence."""
        evidence.pagings = self._record(evidence)

    def _record(self, evidence: BusEvidence) -> list[PagingRecord]:
        """Return the records."""
        t_s = 1.0 / evidence.clock.hz if evidence.clock.hz else None
        end = evidence.end_s
        return [watch.record(self._tick_s, t_s, end) for watch in self._watches]


class _Watch:
    def __init__(self, paging: Paging, bit: int, has_m1: bool, images: list[tuple[str, int, bytes]]) -> None:
        self.paging = paging
        self.bit = np.uint64(1 << bit)
        self.has_m1 = has_m1
        self._at = np.array(sorted(paging.fetch_at), np.int64)
        self._changes: list[tuple[int, bool]] = []  # (tick, active)
        self._last: int | None = None
        self._fetches: list[tuple[int, int, bool]] = []  # (tick, address, strobed)
        self._release_fetches: list[int] = []
        self._on = np.full(65536, -1, np.int16)
        self._off = np.full(65536, -1, np.int16)
        for _, start, content in images:  # what the host's ROM says is known without having seen it
            self._off[start : start + len(content)] = np.frombuffer(content, np.uint8)[: 65536 - start]

    def follow(self, block: Block) -> None:
        level = block.words & self.bit
        if not len(level):
            return
        first = int(level[0])
        if self._last is None or first != self._last:
            self._change(int(block.times[0]), first)
        for k in np.flatnonzero(level[1:] != level[:-1]).tolist():
            self._change(int(block.times[k + 1]), int(level[k + 1]))
        self._last = int(level[-1])

    def _change(self, tick: int, level: int) -> None:
        if len(self._changes) < EVENTS_KEPT:
            self._changes.append((tick, bool(level) == bool(self.paging.active)))

    def feed(self, batch: Batch, has_data: bool) -> None:
        cycles = batch.cycles
        fetch = cycles.kind == _FETCH
        trigger = np.flatnonzero(fetch & np.isin(cycles.address, self._at))
        if len(self._fetches) < EVENTS_KEPT:
            self._fetches.extend(
                zip(cycles.start[trigger].tolist(), cycles.address[trigger].tolist(), (~cycles.inferred[trigger]).tolist(), strict=True)
            )
        for low, high in self.paging.released_by_fetch_in:
            release = np.flatnonzero(fetch & (cycles.address >= low) & (cycles.address <= high))
            if len(self._release_fetches) < EVENTS_KEPT:
                self._release_fetches.extend(cycles.start[release].tolist())
        if has_data:
            self._contents(batch)

    def _contents(self, batch: Batch) -> None:
        """Keep what each address read as while the line was active, and while it was not."""
        cycles = batch.cycles
        read = np.flatnonzero(((cycles.kind == _FETCH) | (cycles.kind == _READ)) & (cycles.data >= 0))
        if not len(read):
            return
        control_bit = int(self.bit).bit_length() - 1
        if control_bit < 16:
            active = (batch.requests.control[batch.request_of_cycle[read]] & np.uint16(self.bit) != 0) == bool(self.paging.active)
        else:
            active = self._active_at(cycles.start[read])
        for target, which in ((self._on, active), (self._off, ~active)):
            rows = read[which]
            target[cycles.address[rows]] = cycles.data[rows]

    def _active_at(self, ticks: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
        times = np.array([tick for tick, _ in self._changes], np.int64)
        states = np.array([False, *(active for _, active in self._changes)])
        return np.asarray(states[np.searchsorted(times, ticks, "right")], np.bool_)

    def record(self, tick_s: float, t_s: float | None, end_s: float) -> PagingRecord:
        paging = self.paging
        record = PagingRecord(paging.name, paging.responds_on, paging.within_t_states)
        grace = (paging.within_t_states + SLACK_T) * (t_s or 0.0) + 2e-8
        times = np.array([tick for tick, _ in self._changes], np.int64)
        for tick, address, strobed in self._fetches:
            time = tick * tick_s
            if t_s is None or end_s - time < 2 * grace or (len(times) and (tick - int(times[0])) * tick_s < grace):
                continue  # too close to the capture's ends to expect an answer
            record.triggers.append(self._answer(tick, address, strobed, times, tick_s, grace))
        self._releases(record, times, tick_s, grace, end_s)
        both = np.flatnonzero((self._on >= 0) & (self._off >= 0))
        record.compared_content = len(both)
        same = self._on[both] == self._off[both]
        record.same_content = int(np.count_nonzero(same))
        record.mixed_zeros = int(bit_sums((~self._off[both][~same] & 0xFF).astype(np.uint8)).sum())
        record.mixed_content = int(np.count_nonzero(~same & (self._on[both] & ~self._off[both] == 0)))
        return record

    def _answer(self, tick: int, address: int, strobed: bool, times: npt.NDArray[np.int64], tick_s: float, grace: float) -> Trigger:
        k = int(np.searchsorted(times, tick, "right")) - 1
        held = k >= 0 and self._changes[k][1]
        answer: float | None = 0.0 if held else None
        if not held and k + 1 < len(self._changes) and self._changes[k + 1][1]:
            delay = (int(times[k + 1]) - tick) * tick_s
            answer = delay if delay <= grace else None
        return Trigger(tick * tick_s, address, strobed if self.has_m1 else None, answer, held)

    def _releases(self, record: PagingRecord, times: npt.NDArray[np.int64], tick_s: float, grace: float, end_s: float) -> None:
        releases = np.array(sorted(self._release_fetches), np.int64)
        for tick in releases.tolist():
            k = int(np.searchsorted(times, tick, "right")) - 1
            if k < 0 or not self._changes[k][1] or end_s - tick * tick_s < 4 * grace:
                continue
            gone = k + 1 < len(self._changes) and (int(times[k + 1]) - tick) * tick_s <= 3 * grace
            record.released += gone
            record.not_released += not gone
        for k, (tick, active) in enumerate(self._changes):
            if not active and k > 0 and record_has_range(self.paging):
                before = int(np.searchsorted(releases, tick, "right")) - 1
                if before < 0 or (tick - int(releases[before])) * tick_s > 3 * grace:
                    record.let_go_alone += 1
                    if record.let_go_alone_s is None:
                        record.let_go_alone_s = tick * tick_s


def record_has_range(paging: Paging) -> bool:
    """Say whether the profile knows what releases this paging."""
    return bool(paging.released_by_fetch_in)


def make(captured: frozenset[str], channels: ChannelMap, options: Options, tick_s: float) -> ExpansionPart | None:
    """Return the part when the profile declares a paging whose line and addresses were captured."""
    pagings = options.profile.paging if options.profile is not None else ()
    known = []
    for paging in pagings:
        bit = channels.bit(paging.responds_on)
        if bit is not None and captured.issuperset(ADDRESS):
            known.append((paging, bit))
    return ExpansionPart(known, tick_s, "M1" in captured, captured.issuperset(DATA), rom_images(options)) if known else None


