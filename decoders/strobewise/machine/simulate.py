"""Runs a scenario: builds the machine, puts the faults in, lets it run, and hands out what the analyser recorded."""

from __future__ import annotations

import random
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import fields, replace
from typing import IO, TypeVar

from ..bus.lines import BIT, MASK
from ..bus.timing import limit_ps
from ..errors import ScenarioError
from .analyser import Analyser, Lead, Settings, Skew, drop_samples, once_a_clock
from .bench import Bench, TrueCycle
from .board import Bank, Board, FaultyBoard
from .device import Pager
from .pins import resolve_timing
from .plan import Plan
from .scenario import LINE_SETS, BoardOptions, CaptureOptions, Cpu, Scenario
from .sources import BusMaster, Button, PulseTrain, Source
from .truth import TrueFault, TrueRow, Truth
from .vcd_text import TIMESCALES, Dialect, VcdText, label
from .waveform import Timed

_PS_PER_S = 10**12
BY_ITS_NAME = 0.99  #: of the shortest clock: 162 ns is the 6 MHz part's limit, 160 ns its name's
PULL_UP_PS = 300_000  #: time in which a pulled-up data bus rises: some kilohms on some tens of picofarads (common practice)
_Record = TypeVar("_Record", Scenario, CaptureOptions, Dialect, BoardOptions, Cpu)


class SimulatedCapture:
    """What the analyser records of a scenario. Each pass over `words` or `write_vcd` runs the machine anew, and all alike."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.seed = seed
        self.labels = label(scenario.capture.lines, scenario.capture.names)
        self.timescale_ps = TIMESCALES[scenario.capture.dialect.timescale]
        self._truth: Truth | None = None

    def words(self) -> Iterator[tuple[int, int, int]]:
        """Yield (time in timescale units, packed word, mask of the captured lines) at each change, the first at time 0."""
        mask = sum(1 << BIT[name] for name in self.scenario.capture.lines)
        for time, word in self._changes():
            yield time, word, mask

    def write_vcd(self, file: IO[str]) -> None:
        """Write the capture as VCD text."""
        capture = self.scenario.capture
        text = VcdText(capture.lines, self.labels, capture.dialect)
        changes: Iterable[tuple[int, int]] = self._changes()
        end = round(capture.duration_s * _PS_PER_S - self._closed_ps()) // self.timescale_ps
        if capture.clocked is not None:  # it ends with the last clock
            changes = list(changes)
            end = changes[-1][0] if changes else 0
            changes = changes or [(0, 0)]
        text.write(changes, end, file)

    def _closed_ps(self) -> int:
        """Return by how much the capture is shorter for samples that were lost without a gap."""
        plan, _ = _build(self.scenario, self.seed)
        end = plan.duration_ps * plan.sample_hz // _PS_PER_S
        lost = sum(min(after, end) - first for first, after in plan.gaps if first < end) if plan.gaps_close else 0
        return lost * _PS_PER_S // plan.sample_hz

    @property
    def truth(self) -> Truth:
        """What really happened, ready for JSON: the machine cycles inside the capture, the faults, who is to blame."""
        if self._truth is None:
            for _ in self._changes():
                pass
        assert self._truth is not None
        return self._truth

    def _changes(self) -> Iterator[tuple[int, int]]:
        """Run the machine; yield (time in timescale units, word), one word a time."""
        plan, bench = _build(self.scenario, self.seed)
        settings = _settings(self.scenario, plan)
        stream: Iterator[tuple[int, int]] = Analyser(settings, plan.rng).sample(_with_dead_clock(bench, plan))
        if plan.gaps:
            stream = drop_samples(stream, plan.gaps, plan.gaps_close)
        taken: list[int] = []
        clocked = self.scenario.capture.clocked
        if clocked is not None:
            yield from once_a_clock(stream, clocked, taken)
            stream = iter(())
        scale = plan.sample_hz * self.timescale_ps
        half = scale // 2
        shown, held = -1, 0
        for sample, word in stream:
            time = (sample * _PS_PER_S + half) // scale
            if time != shown and shown >= 0:
                yield shown, held
            shown, held = time, word
        if shown >= 0:
            yield shown, held
        self._truth = _truth(self.scenario, self.seed, plan, bench, settings)
        if clocked is not None:
            _count_clocks(self._truth["cycles"], taken, clocked, plan, self.timescale_ps)


def run_scenario(scenario: Scenario, seed: int | None = None) -> SimulatedCapture:
    """Return the capture of a scenario. seed: in place of the scenario's own."""
    return SimulatedCapture(scenario, scenario.seed if seed is None else seed)


def simulate(scenario: Scenario | None = None, **changes: object) -> SimulatedCapture:
    """Return the capture of a scenario with some fields changed, for tests: ``simulate(lines="eight", faults=[...])``.

    changes: fields of Scenario, CaptureOptions, Dialect, BoardOptions or Cpu by their names; `lines` may also be the name of
    a line set. Raises TypeError for a name that none of them has.
    """
    scenario = scenario or Scenario()
    lines = changes.get("lines")
    if isinstance(lines, str):
        changes["lines"] = LINE_SETS[lines]
    for key in ("lines", "faults", "presses", "bus_requests", "ports", "waits"):
        given = changes.get(key)
        if isinstance(given, Iterable):
            changes[key] = tuple(given)

    def changed(record: _Record) -> _Record:
        names = [each.name for each in fields(record) if each.name in changes]
        return replace(record, **{name: changes.pop(name) for name in names})  # type: ignore[arg-type]  # by name, as the caller says

    scenario = changed(scenario)
    capture: CaptureOptions = changed(scenario.capture)
    capture = replace(capture, dialect=changed(capture.dialect))
    scenario = replace(scenario, capture=capture, board=changed(scenario.board), cpu=changed(scenario.cpu))
    if changes:
        raise TypeError(f"nothing in a scenario is called {', '.join(changes)}")
    return run_scenario(scenario)


# --- from a scenario to a bench -------------------------------------------------------------------------------------


def _build(scenario: Scenario, seed: int) -> tuple[Plan, Bench]:
    rng = random.Random(seed)
    machine, board_options, capture = scenario.machine, scenario.board, scenario.capture
    period = round(_PS_PER_S / (machine.clock_hz or 3_000_000))
    if period < limit_ps("TcC", scenario.cpu.grade_mhz) * BY_ITS_NAME:
        raise ScenarioError(
            f"a clock of {_PS_PER_S / period / 1e6:.3f} MHz is too fast for a {scenario.cpu.grade_mhz} MHz CPU",
            "clock_hz",
            "a slower clock, or a higher [cpu] grade_mhz",
        )
    start = round(capture.start_s * _PS_PER_S) + rng.randrange(round(_PS_PER_S / capture.sample_hz))
    duration = round(capture.duration_s * _PS_PER_S)
    plan = Plan(
        period=period,
        end=(start + duration) // period + 2,
        banks=_banks(scenario, rng),
        pager=_pager(scenario),
        sources=[],
        lines=capture.lines if capture.clocked is None or "CLK" in capture.lines else (*capture.lines, "CLK"),
        sample_hz=capture.sample_hz,
        start_ps=start,
        duration_ps=duration,
        retention=round(board_options.retention_ms * 1e9 / period),
        rng=rng,
        jitter=round(board_options.jitter_ns * 1000),
    )
    if "ROMDIS" in capture.lines and any(paging.active == 0 for paging in machine.paging):
        plan.leads.append(Lead("ROMDIS", "inverted"))  # the machine's own polarity; inside, it is always active high
    plan.sources += _sources(scenario, plan)
    skew = round(capture.skew_ns * 1000)
    for name in plan.lines:
        late = rng.randint(0, skew) if skew else 0
        plan.skews[name] = Skew(late, late)
    for fault in scenario.faults:
        fault.apply(plan)
    return plan, _bench(scenario, plan)


def _bench(scenario: Scenario, plan: Plan) -> Bench:
    options = scenario.board
    access = round(options.access_ns * 1000) if options.access_ns is not None else min(150_000, plan.period // 3)
    timing = resolve_timing(
        scenario.cpu.grade_mhz,
        scenario.cpu.delay_fraction,
        plan.period,
        options.duty,
        access,
        min(plan.period // 2, PULL_UP_PS) if options.pull_ups else None,
    )
    board_class = FaultyBoard if plan.faulty_board else Board
    board = board_class(
        plan.banks, options.ports, options.waits, options.vector, plan.pager, not options.pull_ups, plan.rng
    )
    if isinstance(board, FaultyBoard):
        board.defects = plan.defects
    return Bench(
        board,
        plan.sources,
        timing,
        plan.activities,
        plan.shorts,
        dict(scenario.capture.probe_at),
        plan.jitter,
        plan.end if plan.clock_stops_at is None else min(plan.end, plan.clock_stops_at),
        plan.start_ps - 8 * plan.period,
        plan.rng,
        scenario.cpu.cmos,
    )


def _banks(scenario: Scenario, rng: random.Random) -> list[Bank]:
    contents = scenario.contents
    if contents is None:
        contents = ((0, scenario.demo("patrol")),)
    banks = []
    for region in scenario.machine.memory:
        if region.kind not in ("rom", "ram"):
            continue
        size = region.end - region.start + 1
        # RAM comes up with whatever its cells fell into; ROM that nothing was burnt into reads FFh.
        data = bytearray(rng.randbytes(size)) if region.kind == "ram" else bytearray(b"\xff" * size)
        for at, piece in contents:
            first, after = max(at, region.start), min(at + len(piece), region.end + 1)
            if first < after:
                data[first - region.start : after - region.start] = piece[first - at : after - at]
        banks.append(Bank(region.kind, region.start, region.end, data))
    return banks


def _pager(scenario: Scenario) -> Pager | None:
    if not scenario.machine.paging:
        return None
    contents = scenario.device_contents
    if contents is None:
        contents = scenario.demo("lodger")
    paging = scenario.machine.paging[0]
    return Pager(contents, paging.fetch_at, paging.released_by_fetch_in)


def _sources(scenario: Scenario, plan: Plan) -> list[Source]:
    sources: list[Source] = [PulseTrain("RESET", 0, scenario.board.reset_t_states)]
    period = scenario.machine.interrupt_period_t_states
    if period is not None:
        sources.append(PulseTrain("INT", period // 3 + 1, min(scenario.board.interrupt_hold_t_states, period - 1), period))
    for press in scenario.presses:
        sources.append(Button(press.line, [(plan.t_states(press.at_s), max(1, plan.t_states(press.hold_s)))]))
    for request in scenario.bus_requests:
        sources.append(BusMaster(request.first_t_states, request.period_t_states, request.hold_t_states))
    return sources


def _settings(scenario: Scenario, plan: Plan) -> Settings:
    return Settings(
        plan.lines,
        plan.sample_hz,
        plan.start_ps,
        plan.duration_ps * plan.sample_hz // _PS_PER_S,
        plan.skews,
        tuple(plan.leads),
        tuple(plan.swapped),
        plan.glitches_per_s,
        plan.bounce,
        tuple(plan.gaps),
        plan.gaps_close,
    )


def _with_dead_clock(bench: Bench, plan: Plan) -> Iterator[list[Timed]]:
    """Yield the bench's waveform; where the clock stops, everything stays as it was and CLK goes to its resting level."""
    yield from bench.run()
    if plan.clock_stops_at is not None:
        rest = bench.snapshot() & ~MASK["CLK"] | (MASK["CLK"] if plan.clock_rests_at else 0)
        yield [(bench.now, rest)]


def _truth(scenario: Scenario, seed: int, plan: Plan, bench: Bench, settings: Settings) -> Truth:
    faults: list[TrueFault] = [
        {
            "fault": fault.kind,
            "parameters": dict(fault.values),
            "state": fault.state,
            "lines": list(fault.lines),
            "suspects": list(fault.suspects),
        }
        for fault in scenario.faults
    ]
    return {
        "format": "strobewise-truth",
        "version": 1,
        "name": scenario.name,
        "seed": seed,
        "clock_hz": _PS_PER_S / plan.period,
        "sample_hz": plan.sample_hz,
        "lines": list(scenario.capture.lines),
        "labels": label(scenario.capture.lines, scenario.capture.names),
        "faults": faults,
        "state": "no_fault_found" if not faults else "fault" if any(f["state"] == "fault" for f in faults) else "any",
        "suspects": list(dict.fromkeys(s for f in faults for s in f["suspects"])) or ["none"],
        "cycles": _true_cycles(bench.cycles, plan, settings),
    }


def _count_clocks(cycles: list[TrueRow], taken: list[int], edge: str, plan: Plan, timescale_ps: int) -> None:
    """Put cycles on the axis of a capture with one sample a clock: each begins with the first sample that shows it.

    taken: the analyser's sample at each of those edges.
    """
    quarter = plan.period * plan.sample_hz // (4 * _PS_PER_S)
    for cycle in cycles:
        start = int(cycle["start_s"] * plan.sample_hz)
        shown = bisect_left(taken, start + (quarter if edge == "rising" else 0))
        cycle["start_s"] = shown * timescale_ps / _PS_PER_S


def _true_cycles(cycles: list[TrueCycle], plan: Plan, settings: Settings) -> list[TrueRow]:
    """Return the cycles that begin inside the capture, on its time axis; those that fall into lost samples are left out."""
    found: list[TrueRow] = []
    for cycle in cycles:
        start = cycle.start - settings.start
        if not 0 <= start < plan.duration_ps:
            continue
        sample = start * plan.sample_hz // _PS_PER_S
        lost = 0
        hidden = False
        for first, after in plan.gaps:
            hidden |= first <= sample < after
            lost += after - first if plan.gaps_close and sample >= after else 0
        if hidden:
            continue
        begin = (start - lost * _PS_PER_S // plan.sample_hz) / _PS_PER_S
        found.append(TrueRow(
            kind=cycle.kind, t_states=cycle.t_states, wait_states=cycle.wait_states, address=cycle.address, data=cycle.data,
            note=cycle.note, bus_granted=cycle.bus_granted, start_s=begin,
        ))  # fmt: skip
    return found
