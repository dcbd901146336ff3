"""From an open capture to its evidence: blocks in, cycles rebuilt, every part of the evidence filled."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from ..bus.calibration import TimeBase
from ..bus.clocked import TICKS_PER_T
from ..bus.lines import BIT, bar
from ..capture import Capture, Recording, open_capture
from ..capture.channels.mapping import ChannelMap, raw_channels
from ..capture.records import Block
from ..capture.source import STANDARD_INPUT
from ..capture.unknown import at_rest
from ..cycles.rebuild import Rebuild
from ..evidence.closer_look import look_closer
from ..evidence.collect import Collector
from ..evidence.leads import LeadsPart, judge_leads
from ..evidence.lost_requests import add_lost_requests
from ..evidence.part import Part
from ..evidence.parts import Maker, make_parts
from ..evidence.strobe_leads import Stretch, note_coarse_steps
from ..evidence.unlabelled import look_at
from ..profile.options import Options
from ..records.evidence import BusEvidence, LineEvidence
from .examined import Examined
from .labels import label_channels


def gather(
    path: str,
    capture: Recording,
    channels: ChannelMap,
    blocks: Iterator[Block],
    options: Options,
    progress: Callable[[int], None] | None = None,
    more_parts: Sequence[Maker] = (),
    labels_trusted: bool = False,
) -> Examined:
    """Rebuild the cycles of an open capture, or of a stretch of one that answers like it, and gather the evidence.

    capture: a capture, or a window of a stream.
    blocks: those of the capture, for its channels' assignments.
    labels_trusted: the labels of the strobes were seen to be right in what came before.
    """
    captured, tick_s = channels.captured, capture.header.tick_s
    collector = Collector(captured, tick_s)
    base = capture.header.time_base(options.nominal_hz)
    parts = make_parts(captured, channels, options, tick_s, more_parts) + _replay(options, captured, tick_s, base)
    rebuild = Rebuild.of(capture.header, channels, options.nominal_hz, [collector, *parts])
    rebuild.run(_told(blocks, capture, progress))
    start, end = capture.start_time or 0, capture.end_time or 0
    calibration = rebuild.calibration
    in_volts = _in_volts(capture, channels)
    never = _never_known(capture, channels) - in_volts if end > start else frozenset()
    captured -= never
    collector.settle_lines(never, in_volts)
    sample, t_ticks = (calibration.sample_ticks, calibration.t_ticks or 0.0) if calibration else (0.0, 0.0)
    evidence = collector.record(start, end, sample, t_ticks)
    evidence.never_known = tuple(sorted(never))
    _fill(evidence, capture, channels, rebuild, options)
    times, words = collector.kept(in_volts)
    for part in parts:
        part.fill(evidence)
    stretch = Stretch(captured, times, words, base, tick_s, sample or 1.0, evidence.clocked)
    note_coarse_steps(evidence, stretch)
    sample_of_buses = next((part.sample() for part in parts if isinstance(part, LeadsPart)), None)
    evidence.leads = judge_leads(evidence, stretch, channels, sample_of_buses, labels_trusted)
    look_closer(evidence, times, words, tick_s, calibration.sample_ticks if calibration else 1.0)
    add_lost_requests(evidence)
    return Examined(path, channels, evidence, _interval(evidence, capture), end, start, tick_s)


def _interval(evidence: BusEvidence, capture: Recording) -> float | None:
    """Return the time from sample to sample; of a capture with one a clock, where the clock is not given, it is not known."""
    if capture.header.clocked is None:
        return evidence.sample_interval_s
    return TICKS_PER_T * capture.header.tick_s if evidence.timed else None


def _replay(options: Options, captured: frozenset[str], tick_s: float, base: TimeBase) -> list[Part]:
    """Return the part that runs the known program beside the capture; loads nothing where none is known."""
    if not options.program_known:
        return []
    from ..replay.part import make_part

    return [*make_part(options, captured, tick_s, base)]


def examine_unlabelled(path: str, capture: Capture, options: Options, more_parts: Sequence[Maker]) -> Examined:
    """Find out which line is on which channel, and examine the capture under that map where the strobes are sure."""
    channels = raw_channels(capture.header.channels)
    tick_s = capture.header.tick_s
    record, mapped, interval = look_at(capture.blocks(channels.assignments), channels, capture.header.timescale_fs)
    if record.settled and path != STANDARD_INPUT:
        with open_capture(path, options.raw, options.one_a_clock) as again:
            examined = gather(path, again, mapped, again.blocks(mapped.assignments), options, None, more_parts)
        record.judged = True
    else:
        start, end = capture.start_time or 0, capture.end_time or 0
        evidence = BusEvidence(start_s=start * tick_s, end_s=end * tick_s, warnings=tuple(capture.warnings))
        evidence.sample_interval_s = interval * tick_s if interval is not None else None
        evidence.unmapped = tuple(use.name for use in channels.uses)
        examined = Examined(path, channels, evidence, evidence.sample_interval_s, end, start, tick_s)
    examined.evidence.unlabelled = True
    examined.evidence.identified = record
    return examined


def examine_guessed(path: str, capture: Capture, channels: ChannelMap, options: Options, more_parts: Sequence[Maker]) -> Examined:
    """Examine a capture under a map that was guessed from behaviour; one that the channels do not bear out any more is set aside."""
    raw = raw_channels(capture.header.channels)
    record, _, _ = look_at(capture.blocks(raw.assignments), raw, capture.header.timescale_fs)
    lines = {use.name: use.line for use in channels.uses}
    wrong = next((role for role in record.roles if record.sure(role[1]) and role[1] in BIT and lines.get(role[0]) != role[1]), None)
    with open_capture(path, options.raw, options.one_a_clock) as again:
        if wrong is None:
            examined = gather(path, again, channels, again.blocks(channels.assignments), options, None, more_parts)
            record.judged = examined.evidence.unlabelled = True
            examined.evidence.identified = record
            return examined
        named = label_channels(path, again, options, beside=False)
        if named.unlabelled:
            examined = examine_unlabelled(path, again, options, more_parts)
        else:
            examined = gather(path, again, named, again.blocks(named.assignments), options, None, more_parts)
    held = lines.get(wrong[0])
    said = f"not like {bar(held)}" if held else "which the map does not have there"
    text = f"{channels.map_file}, a guess, is set aside: {wrong[0]} behaves like {bar(wrong[1])}, {said}"
    examined.evidence.warnings = (*examined.evidence.warnings, text)
    return examined


def _told(blocks: Iterator[Block], capture: Recording, progress: Callable[[int], None] | None) -> Iterator[Block]:
    """Pass the blocks on with what is not known at rest, and tell behind each how far the capture is read."""
    for block in blocks:
        yield at_rest(block)
        if progress is not None:
            progress(capture.taken)


def _in_volts(capture: Recording, channels: ChannelMap) -> frozenset[str]:
    """Return the lines that were captured in volts."""
    codes = set(capture.analog_levels())
    bits = {assignment.target_bit for assignment in channels.assignments if assignment.code in codes}
    return frozenset(use.line for use in channels.uses if use.line is not None and use.target_bit in bits)


def _never_known(capture: Recording, channels: ChannelMap) -> frozenset[str]:
    """Return the lines whose level was never known."""
    statistics = capture.channel_statistics()
    never = set()
    for assignment in channels.assignments:
        bit = statistics.get((assignment.code, assignment.bit_in_vector))
        if bit is not None and not bit.known_ticks:
            never.add(assignment.target_bit)
    return frozenset(use.line for use in channels.uses if use.line is not None and use.target_bit in never)


def _fill(evidence: BusEvidence, capture: Recording, channels: ChannelMap, rebuild: Rebuild, options: Options) -> None:
    """Add what the reader, the channel map and the calibration know."""
    evidence.inverted = frozenset(channels.inverted)
    evidence.unlabelled = channels.unlabelled
    evidence.unmapped = tuple(use.name for use in channels.unmapped)
    evidence.warnings = tuple(capture.warnings)
    evidence.profile, evidence.probe_at = options.profile, {**channels.probe_at, **options.probe_at}
    _fill_lines(evidence, capture, channels)
    clock, tick_s = evidence.clock, capture.header.tick_s
    taken = capture.header.clocked
    if taken is not None:
        evidence.clocked, evidence.timed = taken.edge, taken.timed
        evidence.clocked_fit, evidence.clocked_other_fit, evidence.clocked_steady = taken.fit, taken.other_fit, taken.steady
    clock.nominal_hz = options.nominal_hz
    calibration = rebuild.calibration
    if calibration is None:
        return
    if calibration.t_ticks:
        clock.hz, clock.source = 1.0 / (calibration.t_ticks * tick_s), calibration.t_source
        evidence.samples_per_t = calibration.samples_per_t
        clock.strobes_hz = 1.0 / (calibration.strobe_t_ticks * tick_s) if calibration.strobe_t_ticks else None
    if calibration.sample_ticks > 1.0 or rebuild.grid_found:
        evidence.sample_interval_s = calibration.sample_ticks * tick_s
    if evidence.samples_per_t is not None and clock.source != "CLK" and clock.is_regular and evidence.sample_interval_s:
        # CLK itself says how few samples there are, though too few to count T-states by it.
        evidence.samples_per_t = min(evidence.samples_per_t, (clock.mean_s or 0.0) / evidence.sample_interval_s)
    evidence.framed_by = "MREQ" if calibration.mreq_frames else "RD and WR"


def _fill_lines(evidence: BusEvidence, capture: Recording, channels: ChannelMap) -> None:
    """Add what the reader counted on each line."""
    by_bit = {assignment.target_bit: assignment for assignment in channels.assignments}
    length = (capture.end_time or 0) - (capture.start_time or 0)
    statistics = capture.channel_statistics()
    levels = capture.analog_levels()
    for use in channels.uses:
        if use.line is None or use.target_bit not in by_bit or use.line in evidence.never_known:
            continue
        assignment = by_bit[use.target_bit]
        line = evidence.lines.setdefault(use.line, LineEvidence(use.line))
        line.volts = levels.get(assignment.code)
        bit = statistics.get((assignment.code, assignment.bit_in_vector))
        if bit is not None:
            line.edges = bit.edges
            if bit.known_ticks:
                line.known_fraction = min(1.0, bit.known_ticks / length) if length else 1.0
            if timed := bit.known_ticks - bit.untimed_ticks:
                high = bit.high_ticks / timed
                line.high_fraction = 1.0 - high if assignment.inverted else high
