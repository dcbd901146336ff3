"""Limits of the rules about lines, the clock, delays, volts, leads, the expansion port and the capture itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hand_made import evidence_of
from limits import BUS, HZ, Limit, fires, found, held, memory, says, severity, strong

from strobewise.bus.model import KIND_INDEX, Finding
from strobewise.bus.timing import limit_ps
from strobewise.records.buses import BusesRecord, Operands, Pushes
from strobewise.records.evidence import PATTERN_LINES, Burst, LineEvidence, Paused, Span, Stays, StrobeCount, Through
from strobewise.records.expansion import PagingRecord, Trigger
from strobewise.records.free_run import CountedLine, FreeRunRecord
from strobewise.records.leads import IdentifiedRecord, LeadsRecord, Relabelling
from strobewise.records.memory import Levels
from strobewise.records.prediction import Difference
from strobewise.records.profile import Profile
from strobewise.records.slips import Period, Slips
from strobewise.records.strobes import behaviour
from strobewise.records.timing import Delay, Interrupts, Settling, TimingRecord
from strobewise.records.volts import AnalogLevels
from strobewise.rules import misled
from strobewise.rules.base import (
    _softened,
    beside_the_edge,
    clock_denied,
    fetches_without_requests,
    single_samples_lost,
    stops_alone,
    too_coarse,
)
from strobewise.rules.blame import INVERTED_LEAD, VOLTS_DEAD, VOLTS_GROUND, VOLTS_UNDRIVEN
from strobewise.rules.buses import _moves_in_reads
from strobewise.rules.capture import _some, _spiky
from strobewise.rules.clock import in_step
from strobewise.rules.expansion import _addresses
from strobewise.rules.grades import CERTAIN
from strobewise.rules.held import _given_for_good, _lasts, _rest_after, _runs_while_halted
from strobewise.rules.slips import _with_a_pulse, cut_short
from strobewise.rules.strobes import _bursts, off_for_a_while, runs_a_program
from strobewise.rules.timing import _kinds_by_fetches
from strobewise.rules.volts import weigh_still_line

S = 4.2e-8  #: the sample interval of the evidence that is made by hand


# --- base ---


def without_mreq(falls: int = 0, fetches: int = 0) -> Any:
    evidence = evidence_of()
    evidence.lines["MREQ"].stays = Stays(True, 0.001, "RD", falls, fetches)
    return evidence


def seldom(m1: int, mreq: int) -> bool:
    evidence = evidence_of(requests=0)
    evidence.lines["M1"].edges, evidence.lines["MREQ"].edges = m1, mreq
    return fetches_without_requests(evidence) == "M1"


def softened(samples: float) -> str:
    finding = Finding("reads-all-ff", "fault", (), "rom", 0.9, None, None, 1, "", "")
    known = frozenset(("reads-all-ff",))
    return _softened(finding, evidence_of(samples_per_t=samples), known, known).severity


def clock(**changes: Any) -> Any:
    return replace(evidence_of().clock, **changes)


def given(off: float) -> Any:
    return evidence_of(clock=clock(source="given", hz=HZ, strobes_hz=HZ * (1 + off)))


def delay(symbol: str, at_s: float) -> Delay:
    return Delay(symbol, "M1", 100, at_s, at_s, at_s, mean_s=at_s)


def rising(by_s: float, doubt_s: float = 1e-9, samples: float = 7.0) -> Any:
    pairs = (("TdCr(M1f)", "TdCr(M1r)"), ("TdCr(RFSHf)", "TdCr(RFSHr)"))
    delays = [each for fall, rise in pairs for each in (delay(fall, 1e-8), delay(rise, 1e-8 + by_s))]
    return evidence_of(timing=TimingRecord(doubt_s, delays, None), samples_per_t=samples)


def one_late(by_s: float, doubt_s: float = 1e-9, spread_s: float = 1e-9, others: int = 3, second_s: float = 0.0) -> Any:
    """Evidence of strobes that use half of their limits, of which the first is so much later, and the second so much."""
    symbols = {"WR": "TdCf(WRf)", "M1": "TdCr(M1f)", "MREQ": "TdCf(MREQf)", "RD": "TdCf(RDf)", "RFSH": "TdCr(RFSHf)"}
    delays = []
    for number, (line, symbol) in enumerate([*symbols.items()][: others + 1]):
        at_s = limit_ps(symbol, 4) * 0.5e-12 + (by_s, second_s, 0.0)[min(number, 2)]
        delays.append(Delay(symbol, line, 100, at_s, at_s - spread_s, at_s + spread_s, mean_s=at_s))
    return evidence_of(timing=TimingRecord(doubt_s, delays, None), samples_per_t=7.0)


def nmi_low(requests: int) -> Any:
    return held("NMI", 0.0, 0.01, edges=0, requests=requests)


BASE = (
    Limit("base.FETCHES_ALONE", lambda n: stops_alone(without_mreq(fetches=n)), 16, 15),
    Limit("base.READS_ALONE", lambda n: stops_alone(without_mreq(falls=n)), 50, 49),
    Limit("base.SELDOM", lambda n: seldom(n, 100), 200, 199),
    Limit("base.BLIND_SAMPLES", softened, 1.91, 1.89, "fault", "warning"),
    Limit("base.LASTING_S", severity("interrupt-held", lambda s: held("INT", 0.0, s, end_s=s)), 0.0455, 0.0445, "fault", "note"),
    Limit("base.COARSE_SAMPLES", lambda n: too_coarse(evidence_of(samples_per_t=n)), 2.99, 3.0),
    Limit("base.CLOCKED_FIT_MIN", lambda share: single_samples_lost(evidence_of(clocked_steady=share)), 0.959, 0.96),
    Limit("base.CLOCKED_FIT_MIN", lambda share: beside_the_edge(evidence_of(clocked_fit=share)), 0.959, 0.96),
    Limit("base.OFF_BY_STROBES", lambda off: clock_denied(given(off)), 0.205, 0.195),
    Limit("base.FINE_SAMPLES", fires("rises-late", lambda n: rising(9e-8, samples=n)), 4.0, 3.99),
    Limit("base.ENOUGH_REQUESTS", fires("nmi-held", nmi_low), 50, 49),
    Limit("base.ENOUGH_READS", lambda n: _moves_in_reads(memory(reads_rom=Levels(n, 0xFF, 0)), 3), 16, 15),
)  # fmt: skip

# --- the clock ---


def rests(clocks: float, pause: float = 1.0) -> Any:
    evidence = evidence_of(last_request_s=0.004, end_s=0.004 + clocks / HZ)
    evidence.clock.last_edge_s, evidence.clock.longest = 0.004, Span(0.001, 0.001 + pause / HZ)
    return evidence


def pausing(clocks: float) -> Any:
    return evidence_of(clock=clock(longest=Span(0.004, 0.004 + clocks / HZ)))


def spread(share: float, sampling: float, usual: tuple[float, float] | None = None, samples: float = 7.4) -> Any:
    """share: standard deviation of the period beyond what sampling adds, of a period; sampling: that, of a sample."""
    deviation = ((share / HZ) ** 2 + (sampling * S) ** 2) ** 0.5
    slips = None if usual is None else Slips({}, 1000, 1 / HZ, usual)
    return evidence_of(clock=clock(deviation_s=deviation), slips=slips, samples_per_t=samples)


def leaning(low: float) -> Any:
    """low: the part of the spread that lies below the middle."""
    return spread(0.08, 0.5, ((1 - 0.2 * low) / HZ, (1 + 0.2 * (1 - low)) / HZ))


def still(end_s: float) -> Any:
    return evidence_of(lines={"CLK": LineEvidence("CLK")}, end_s=end_s, requests=0)


def off_nominal(share: float) -> Any:
    return evidence_of(clock=clock(nominal_hz=HZ / (1 + share)))


def upside_down(phase: float = 0.2, hz: float = HZ, m1: float | None = None, samples: float = 50.0, high: float = 0.5) -> Any:
    timing = None if m1 is None else TimingRecord(1e-9, [delay("TdCr(M1f)", m1 / hz)], None)
    evidence = evidence_of(clock=clock(hz=hz, mreq_phase=phase), timing=timing, samples_per_t=samples)
    evidence.lines["CLK"].high_fraction = high
    return evidence


def came_off(share: float) -> Any:
    """share: of a silence of CLK, the part in which requests go on."""
    return evidence_of(clock=clock(last_edge_s=0.005), last_request_s=0.005 + share * 0.005)


EVEN = (0.9 / HZ, 1.1 / HZ)
CLOCK = (
    Limit("clock.STILL_S", fires("clock-stopped", still), 20.1e-6, 19.9e-6),
    Limit("clock.STOPPED_T", fires("clock-stopped", rests), 151, 149),
    Limit("clock.STOPPED_PAUSES", fires("clock-stopped", lambda pause: rests(400, pause)), 99, 101),
    Limit("clock.AWAY_SHARE", fires("clock-stopped", came_off), 0.505, 0.495),
    Limit("clock.PAUSE_T", fires("clock-pauses", pausing), 65, 63),
    Limit("clock.SLOW_HZ", fires("clock-too-slow", lambda hz: evidence_of(clock=clock(hz=hz))), 99e3, 101e3),
    Limit("clock.MEANT", fires("clock-too-slow", lambda off: evidence_of(clock=clock(hz=5e4, nominal_hz=5e4 / (1 + off)))), 0.051, 0.049),
    Limit("clock.SLOW_EDGES", fires("clock-too-slow", lambda n: evidence_of(clock=clock(hz=5e4, edges=n))), 16, 15),
    Limit("clock.OFF_FREQUENCY", fires("clock-off-frequency", off_nominal), 0.0205, 0.0195),
    Limit("clock.JITTER_SHARE", fires("clock-jitter", lambda share: spread(share, 0.41)), 0.121, 0.119),
    Limit("clock.EVEN_SHARE", fires("clock-jitter", lambda share: spread(share, 0.5, EVEN)), 0.051, 0.049),
    Limit("clock.STEADY_SAMPLES", fires("clock-jitter", lambda share: spread(share, 0.5, EVEN)), 0.051, 0.049),
    Limit("clock.IN_STEP_SAMPLES", fires("clock-jitter", lambda share: spread(share, 0.71, EVEN, 7.0)), 0.051, 0.049),
    Limit("clock.IN_STEP", in_step, 7.0098, 7.0102),
    Limit("clock.EVENLY", fires("clock-jitter", leaning), 0.255, 0.245),
    Limit("clock.EVENLY", fires("clock-jitter", leaning), 0.745, 0.755),
    Limit("clock.DELAYS_KNOWN_HZ", fires("clock-inverted", lambda hz: upside_down(hz=hz)), 4.95e6, 5.05e6),
    Limit("clock.UPRIGHT", fires("clock-inverted", lambda at: upside_down(m1=at)), 0.405, 0.395),
    Limit("clock.UPSIDE_DOWN[0]", fires("clock-inverted", upside_down), 0.0205, 0.0195),
    Limit("clock.EARLY_SAMPLES", fires("clock-inverted", lambda n: upside_down(samples=n)), 4.01, 3.99),
    Limit("clock.EARLY_SAMPLES", fires("clock-inverted", lambda high: upside_down(samples=6.0, high=high)), 0.41, 0.39),
    Limit("clock.UPSIDE_DOWN[1]", fires("clock-inverted", upside_down), 0.395, 0.405),
)  # fmt: skip

# --- lines that hold the CPU ---


def pulsing(pulses: int, end_s: float = 0.01) -> Any:
    return held("RESET", 0.001, 0.0011, edges=2 * pulses, assertions=pulses, end_s=end_s)


def low_wait(share: float) -> Any:
    evidence = held("WAIT", 0.005, 0.0051)
    evidence.lines["WAIT"].asserted_s = share * 0.01
    return evidence


def wait(clocks: float) -> Any:
    return held("WAIT", 0.001, 0.001 + clocks / HZ, last_request_s=0.001)


def wait_to_the_end(clocks: float) -> Any:
    return held("WAIT", 0.01 - clocks / HZ, 0.01, last_request_s=0.01 - clocks / HZ)


def granted(length: float, others: float = 0.0, end_s: float = 0.01) -> bool:
    span = Span(end_s - length, end_s)
    line = LineEvidence("BUSACK", assertions=2 if others else 1, asserted_s=length + others, longest=span, asserted_last=True)
    return _given_for_good(evidence_of(end_s=end_s), line)


def cleared(times: int) -> Any:
    evidence = held("INT", 0.001, 0.01)
    evidence.lines["INT"].longest = None
    evidence.timing = TimingRecord(1e-9, [], Interrupts(1, times, None, None, 0, {}, 0.001, times))
    return evidence


def storm(falls: int, answered: int = 1) -> Any:
    evidence = held("NMI", 0.001, 0.002, assertions=falls)
    evidence.notes["nmi_response"] = answered
    return evidence


def halted(transfers: int = 0, fetches: int = 0, edges: int = 2, addresses: int = 0) -> Any:
    evidence = held("HALT", 0.005, 0.01, edges=edges)
    evidence.histogram[KIND_INDEX["memory_read"]][1 << PATTERN_LINES.index("HALT")] = transfers
    evidence.notes["halt"], evidence.halt_addresses = fetches, tuple(range(addresses))
    return evidence


def halt(length: float, end_s: float = 0.01, before_end: float = 0.0, **changes: Any) -> Any:
    evidence = held("HALT", end_s - length, end_s - before_end, end_s=end_s, last=True, **changes)
    evidence.notes["halt"] = 400
    return evidence


def silent(within: float) -> Any:
    """within: part of a hold in which no request is made, but for its beginning."""
    return held("WAIT", 0.001, 0.002, last_request_s=0.0015, longest_silence=Span(0.001, 0.001 + within * 0.001))


def runs_under_reset(requests: int) -> Any:
    return held("RESET", 0.0, 0.01, requests=requests, last_request_s=0.009)


def begun(share: float) -> Any:
    return held("WAIT", 0.001, 0.002, last_request_s=0.001 * (1 + share))


def acknowledged(times: int) -> Any:
    evidence = held("INT", 0.0, 0.01, edges=0)
    evidence.cycles["interrupt_acknowledge"] = times
    return evidence


HELD = (
    Limit("held.RESET_LOOP", severity("reset-loop", pulsing), 5, 4, None, "warning"),
    Limit("held.RESET_AGAIN", fires("reset-loop", pulsing), 3, 2),
    Limit("held.NO_FINGER_S", fires("reset-loop", lambda s: pulsing(3, 3 * s)), 0.0495, 0.0505),
    Limit("held.HELD_SHARE", fires("wait-held", low_wait), 0.905, 0.895),
    Limit("held.WAIT_HELD_T", fires("wait-held", wait), 2010, 1990),
    Limit("held.WAIT_NEVER_ENDS_T", fires("wait-held", wait_to_the_end), 505, 495),
    Limit("held.LATE_T", lambda clocks: _lasts(evidence_of(), clocks / HZ, 0.0), 101, 99),
    Limit("held.LATE_SHARE", fires("reset-held", lambda share: held("RESET", 0.01 * (1 - share), 0.01, last_request_s=0.0)), 0.205, 0.195),
    Limit("held.LATE_GRANT_SHARE", lambda share: granted(share * 0.004, end_s=0.004), 0.305, 0.295),
    Limit("held.LATE_GRANT_T", lambda clocks: granted(clocks / HZ, end_s=2.5 * clocks / HZ), 221, 219),
    Limit("held.LATE_GRANT_T", lambda clocks: granted(clocks / HZ, end_s=1.5 * clocks / HZ), 221, 219),
    Limit("held.HELD_SHARE", lambda share: granted(100 / HZ, end_s=100 / HZ / share), 0.905, 0.895),
    Limit("held.GRANTS_BEFORE", lambda times: granted(0.004, 0.004 / times), 4.1, 3.9),
    Limit("held.NEVER_CLEARED", fires("interrupt-held", cleared), 8, 7),
    Limit("held.NMI_MANY", fires("nmi-storm", storm), 16, 15),
    Limit("held.NMI_LOST", fires("nmi-storm", lambda falls: storm(falls, 100)), 151, 150),
    Limit("held.NMI_STAYS_S", severity("nmi-held", lambda s: held("NMI", 0.03 - s, 0.03, end_s=0.03)), 0.0202, 0.0198, "fault", "warning"),
    Limit("held.RUNNING_SHARE", lambda n: _runs_while_halted(halted(n, 1000)), 100, 99, 100, 0),
    Limit("held.HALTED_AT", lambda n: _runs_while_halted(halted(0, 7, edges=0, addresses=n)), 4, 3, 7, 0),
    Limit("held.HALTED_MIN", lambda n: _runs_while_halted(halted(n)), 4, 3, 4, 0),
    Limit("held.HALT_SHARE", fires("halted-for-good", lambda share: halt(share * 0.01)), 0.305, 0.295),
    Limit("held.END_S", fires("halted-for-good", lambda s: halt(0.005, before_end=s)), 0.98e-9, 1.02e-9),
    Limit("held.FIRST_MOMENTS", lambda share: _rest_after(begun(share), "WAIT"), 0.099, 0.101),
    Limit("held.AT_REST", lambda share: _rest_after(silent(share), "WAIT"), 0.81, 0.79),
    Limit("held.MOSTLY", lambda share: granted(share * 0.01, 0.009), 0.505, 0.495),
    Limit("held.RESET_S", fires("reset-held", lambda s: held("RESET", 10 - s, 10, end_s=10.0, last_request_s=9.0)), 0.505, 0.495),
    Limit("held.ANSWERED", severity("interrupt-held", acknowledged), 3, 2, None, "note"),
    Limit("held.NOT_HEARD_T", fires("reset-held", lambda clocks: held("RESET", 0.01 - clocks / HZ, 0.01, last_request_s=0.01)), 303, 297),
    Limit("held.RUNS_ON", says("reset-held", "although the CPU runs", runs_under_reset), 4, 3),
    Limit("held.HALT_JUDGED_T", strong("halted-for-good", lambda t: halt(0.1, end_s=0.1, clock=clock(hz=t / 0.1))), 45_500, 44_500),
)  # fmt: skip

# --- strobes ---


def working(reads: int = 500, run: int = 1) -> bool:
    evidence = evidence_of(longest_run_without_fetch=run)
    evidence.cycles["memory_read"] = reads
    return runs_a_program(evidence)


def dead(fetches: int) -> Any:
    evidence = evidence_of()
    evidence.lines["M1"], evidence.strobes["M1"] = LineEvidence("M1", edges=0, high_fraction=1.0), StrobeCount(fetches, 0, 50, 0)
    return evidence


def lagging(mreq: float, m1: float = 0.1) -> bool:
    return misled.mreq_lags(evidence_of(timing=TimingRecord(1e-9, [delay("TdCf(MREQf)", mreq / HZ), delay("TdCr(M1f)", m1 / HZ)], None)))


def missed_by_clock(misses: int) -> Any:
    evidence = evidence_of(clocked="falling", strobes={"WR": StrobeCount(misses, 0, 400, 0)})
    evidence.lines["WR"] = LineEvidence("WR", edges=0, high_fraction=1.0)
    return evidence


def pulled_low(falls: int, t_states: float = 2.0, clocked: str = "") -> bool:
    evidence = evidence_of(clocked=clocked)
    evidence.lines["MREQ"].held_through = Through(falls, 1, 0.001, 0.002)
    evidence.lines["M1"].shortest_pulse_s = t_states / HZ
    return misled.pulled_low(evidence)


def in_rhythm(pulses: int, t_states: float = 2.0) -> bool:
    evidence = evidence_of()
    low = pulses * t_states / HZ / evidence.duration_s
    return misled.in_rhythm(LineEvidence("M1", edges=2 * pulses, high_fraction=1 - low), StrobeCount(1000, 0, 1000, 0), evidence)


def as_often(missing: int, pulses: int = 1000) -> bool:
    line = LineEvidence("RD", edges=2 * pulses, high_fraction=0.7)
    return misled.as_often(line, StrobeCount(1000, 1000 - missing, 1000, 0), evidence_of())


def grows(early: list[int], late: list[int]) -> bool:
    bursts = [Burst(n, 0.001, 0.0011) for n in early] + [Burst(n, 0.009, 0.0091) for n in late]
    return "it grows worse" in _bursts(StrobeCount(1000, 900, 0, 0, bursts=bursts), evidence_of())


def beside(clocks: float) -> bool:
    """clocks: from the last miss of /RD to the last one of /WR."""
    evidence = evidence_of()
    evidence.strobes["RD"] = StrobeCount(1000, 980, 500, 0, 0.001, 0.002)
    return misled._beside_misses("WR", StrobeCount(100, 90, 500, 0, 0.001, 0.002 + clocks / HZ), evidence)


def let_go(falls: int = 60, lost: int | None = None, early_t: float = 0.0) -> bool:
    """Say whether a strobe that stood still for once is taken for a lead: lost requests that no burst tells of, or 400 in a burst."""
    line = LineEvidence("M1", edges=2000, paused=Paused(0.01, 0.02, falls))
    start = 0.01 - early_t / HZ
    count = StrobeCount(1000, 1000 - lost) if lost else StrobeCount(1000, 600, 0, 0, start, 0.02, [Burst(400, start, 0.02)])
    return off_for_a_while(line, count, evidence_of())


def blames_the_other(wrong: int) -> bool:
    """wrong: requests of a thousand in which /RD is seen and must not be; /M1 is in a hundred."""
    evidence = evidence_of(strobes={"RD": StrobeCount(1000, 1000, 1000, wrong), "M1": StrobeCount(1000, 1000, 1000, 100)})
    for name in ("RD", "M1"):
        evidence.lines[name] = LineEvidence(name, edges=2200, high_fraction=0.7)
    return misled._beside_an_astray_one("M1", evidence.strobes["M1"], evidence)


STROBES = (
    Limit("misled.STRAYS_MORE", blames_the_other, 201, 200),
    Limit("misled.BESIDE_T", beside, 59.5, 60.5),
    Limit("strobes.FETCHES_A_READ", working, 50, 49),
    Limit("strobes.RUN_OF_A_PROGRAM", lambda run: working(run=run), 8, 9),
    Limit("strobes.SURE_REQUESTS", lambda n: found("fetch-strobe-missing", dead(n))[0].confidence == CERTAIN, 100, 99),
    Limit("misled.LATE_T", lagging, 0.455, 0.445),
    Limit("misled.APART_T", lambda m1: lagging(0.6, m1), 0.297, 0.303),
    Limit("misled.PULLED_LOW", pulled_low, 6, 5),
    Limit("strobes.FEW_BY_CLOCK", fires("write-strobe-missing", missed_by_clock), 8, 7),
    Limit("misled.M1_WHOLE_T", lambda t_states: pulled_low(9, t_states, "falling"), 1.51, 1.49),
    Limit("misled.M1_PULSE_T", lambda t_states: pulled_low(9, t_states), 1.01, 0.99),
    Limit("misled.FETCH_PULSE_T", lambda t_states: in_rhythm(1000, t_states), 1.76, 1.74),
    Limit("misled.LENGTH_OFF_T", lambda t_states: in_rhythm(1000, t_states), 2.249, 2.251),
    Limit("base.AS_OFTEN", in_rhythm, 1030, 1031),
    Limit("misled.BESIDE", as_often, 90, 89),
    Limit("strobes.GROWING_BURSTS", lambda n: grows([], [9] * n), 4, 3),
    Limit("strobes.LONG_PAUSE", let_go, 50, 49),
    Limit("strobes.MARGIN_T", lambda early: let_go(early_t=early), 7.9, 8.1),
    Limit("strobes.PER_PULSE", lambda lost: let_go(100, lost), 207, 208),
    Limit("strobes.GROWS_BY", lambda n: grows([100], [100, 100, n]), 100, 99),
)  # fmt: skip

# --- what the rules of the strobes share with others: records/strobes.py ---


def behaves(expected: int = 1000, seen: int = 1000, others: int = 1000, wrong: int = 0, edges: int = 2000) -> str | None:
    seen_as = behaviour(LineEvidence("RD", edges=edges, high_fraction=0.5), StrobeCount(expected, seen, others, wrong))
    return seen_as.kind if seen_as is not None else None


def burst_words(number: int) -> bool:
    return f"of {number} or more" in _bursts(StrobeCount(1000, 900, 0, 0, bursts=[Burst(9, 0.001, 0.0011)]), evidence_of())


BEHAVIOUR = (
    Limit("records.ENOUGH", lambda n: behaves(n, 0), 8, 7, "silent", None),
    Limit("records.ENOUGH_OF_SILENCE", lambda n: behaves(n, 0, edges=0), 3, 2, "silent", None),
    Limit("records.ENOUGH_OTHERS", lambda n: behaves(0, 0, n, n, edges=0), 50, 49, "held", None),
    Limit("records.RELEASES_MIN", lambda n: behaves(edges=n), 1399, 1400, "held", None),
    Limit("records.HELD_HIT", lambda n: behaves(seen=n, edges=100), 505, 495, "held", "partial"),
    Limit("records.HEALTHY_HIT", lambda n: behaves(seen=n), 970, 969, None, "partial"),
    Limit("records.HEALTHY_FALSE", lambda n: behaves(wrong=n), 30, 31, None, "partial"),
    Limit("records.DEAD_MARGIN", lambda n: behaves(seen=n, edges=10_000), 350, 349, "partial", "unrelated"),
    Limit("records.INVERTED", lambda n: behaves(seen=n, wrong=1000), 50, 51, "inverted", "unrelated"),
    Limit("records.INVERTED", lambda n: behaves(seen=0, wrong=n), 950, 949, "inverted", "unrelated"),
    Limit("records.FEW_MISSES", lambda n: behaves(100, 100 - n), 8, 7, "partial", None),
    Limit("records.BURST", burst_words, 8, 9),
    Limit("records.PULSES_OF_ITS_OWN", lambda n: behaves(seen=100, edges=n), 600, 601, "partial", "unrelated"),
    Limit("records.FEW_WRONG", lambda n: behaves(100, 100, 100, n), 8, 7, "partial", None),
    Limit("records.LONGEST_RUN", fires("requests-without-fetch", lambda n: evidence_of(longest_run_without_fetch=n)), 11, 10),
)  # fmt: skip

# --- the capture ---


def other_master(fetches: int) -> Any:
    evidence = evidence_of(longest_run_without_fetch=51)
    evidence.captured -= {"BUSACK"}
    evidence.cycles["opcode_fetch"] = fetches
    return evidence


def silence(last_s: float, rest_s: float, clock_rests: float = 0.0) -> Any:
    """clock_rests: part of the silence in which the clock rests, too."""
    evidence = evidence_of(last_request_s=last_s, end_s=last_s + rest_s)
    evidence.clock.last_edge_s = last_s + rest_s * (1 - clock_rests)
    return evidence


def share_of_silence(share: float) -> Any:
    rest = 1000 / HZ
    return silence(rest / share - rest, rest)


def coarse(fetches: int) -> Any:
    evidence = evidence_of(samples_per_t=2.9)
    evidence.strobes["M1"] = StrobeCount(fetches, fetches, 500, 0)
    return evidence


def nothing(edges: int) -> Any:
    evidence = evidence_of(requests=0)
    evidence.lines |= {name: LineEvidence(name, edges=2, high_fraction=1.0) for name in evidence.lines}
    evidence.lines["RD"].edges = edges
    return evidence


def conflict(wrong: int = 1000, edges: int = 6000, expected: int = 0, seen: int = 0) -> Any:
    evidence = evidence_of()
    evidence.lines["IORQ"].edges, evidence.strobes["IORQ"] = edges, StrobeCount(expected, seen, 1000, wrong)
    return evidence


def upside_down_lead(seen: int) -> bool:
    return found("io-request-conflict", conflict(edges=100, expected=100, seen=seen))[0].suspects == INVERTED_LEAD


def named_lines(make: Any) -> Any:
    return lambda value: found("io-request-conflict", make(value))[0].lines


def spiky(length_s: float = 1e-9, samples: float = 7.0, interval_s: float = S, lines: int = 1) -> Any:
    pulses = {name: [(length_s, 0.001)] for name in ("M1", "RD", "WR")[:lines]}
    return evidence_of(slips=Slips(pulses), sample_interval_s=interval_s, samples_per_t=samples)


def offered(sure: float) -> Any:
    record = IdentifiedRecord([("c0", "RD", 0.9), ("c1", "MREQ", sure)], (), True, True, 0.0, 0)
    return evidence_of(unlabelled=True, identified=record)


BOTH, ALONE = ("MREQ", "IORQ"), ("IORQ",)
CAPTURE = (
    Limit("capture.FETCHES_OF_A_CPU", severity("requests-without-fetch", other_master), 8, 7, "note", None),
    Limit("capture.SILENT_T", fires("went-silent", lambda clocks: silence(0.01, clocks / HZ)), 5050, 4950),
    Limit("capture.SILENT_AT_THE_END_T", fires("went-silent", lambda clocks: silence(0.0001, clocks / HZ)), 303, 297),
    Limit("capture.SILENT_SHARE", fires("went-silent", share_of_silence), 0.305, 0.295),
    Limit("capture.GLITCH_SHARE", fires("spikes", lambda n: evidence_of(requests=25_000, glitches=n)), 51, 50),
    Limit("capture.GLITCHES_MIN", fires("spikes", lambda n: evidence_of(requests=100, glitches=n)), 3, 2),
    Limit("capture.WHOLE_FETCHES", severity("capture-too-coarse", coarse), 20, 19, "note", None),
    Limit("capture.SOME_EDGES", severity("no-requests", nothing), 5, 4, "warning", None),
    Limit("capture.CLOCK_RESTS", fires("went-silent", lambda share: silence(0.004, 0.006, share)), 0.495, 0.505),
    Limit("capture.NEARLY_ALL", named_lines(conflict), 950, 949, BOTH, ALONE),
    Limit("capture.ALIKE[0]", named_lines(lambda n: conflict(edges=n)), 5401, 5399, BOTH, ALONE),
    Limit("capture.ALIKE[1]", named_lines(lambda n: conflict(edges=n)), 6599, 6601, BOTH, ALONE),
    Limit("capture.OWN_LOST", upside_down_lead, 50, 51),
    Limit("capture.CONFLICTS", fires("io-request-conflict", lambda n: conflict(n, 100)), 51, 50),
    Limit("capture.CONFLICTS_FAULT", severity("io-request-conflict", lambda n: conflict(n, 100)), 201, 200, "fault", None),
    Limit("capture.SPIKY_SAMPLES", lambda n: bool(_spiky(spiky(samples=n))), 6.0, 5.9),
    Limit("capture.SPIKE_T", lambda clocks: bool(_spiky(spiky(clocks / HZ, interval_s=1e-7))), 0.295, 0.305),
    Limit("capture.SPIKY_LINES", fires("spikes", lambda n: spiky(lines=n)), 2, 1),
    Limit("capture.QUIET_SHOWN", lambda n: "more" in _some(["c"] * n), 9, 8),
    Limit("capture.OFFERED", lambda sure: "MREQ=c1" in (found("unlabelled-channels", offered(sure))[0].next_step or ""), 0.805, 0.795),
)  # fmt: skip

# --- the expansion port ---


def paging(triggers: list[bool] | None = None, strobed: bool = True, **changes: Any) -> Any:
    """triggers: whether each was answered; changes: to the record."""
    evidence = evidence_of(captured=BUS | {"ROMDIS"})
    asked = [Trigger(0.001, 0x58 + k, strobed, 2e-7 if answered else None, False) for k, answered in enumerate(triggers or [True] * 5)]
    evidence.pagings = [replace(PagingRecord("lodger", "ROMDIS", 4, asked, released=2), **changes)]
    return evidence


def unseen(seen: int, wrong: int = 0) -> Any:
    evidence = paging([False] * 3, strobed=False)
    evidence.strobes["M1"] = StrobeCount(1000, seen, 1000, wrong)
    return evidence


def content(n: int, same: int, mixed: int, zeros: int = 0) -> Any:
    return paging(compared_content=n, same_content=same, mixed_content=mixed, mixed_zeros=zeros)


def pressed(last_s: float = 1e-6, fell_s: float = 0.005) -> Any:
    """Both before the end of the capture, seconds."""
    return held("NMI", 0.01 - fell_s, 0.01 - fell_s + 1e-6, assertions=2, last_request_s=0.01 - last_s, captured=BUS)


NOT_OBEYED = "rom-disable-not-obeyed"
EXPANSION = (
    Limit("expansion.SOME", fires("paging-device-silent", lambda n: paging([False] * n + [True] * (1000 - n))), 100, 99),
    Limit("expansion.FEW_ZEROS", fires(NOT_OBEYED, lambda n: content(3, 0, 3, n)), 10, 9),
    Limit("expansion.SAME_CONTENT_MIN", fires(NOT_OBEYED, lambda n: content(n, n, 0)), 16, 15),
    Limit("expansion.ADDRESSES_SHOWN", lambda n: "..." in _addresses([Trigger(0.0, k, True, None, False) for k in range(n)]), 5, 4),
    Limit("expansion.STROBES", fires("paging-not-triggered", unseen), 500, 501),
    Limit("expansion.STRAYS", fires("paging-not-triggered", lambda n: unseen(1000, n)), 300, 299),
    Limit("expansion.SAME_SHARE", fires(NOT_OBEYED, lambda n: content(1000, n, 0)), 950, 949),
    Limit("expansion.BOTH_SHARE", fires(NOT_OBEYED, lambda n: content(1000, n - 500, 500)), 980, 979),
    Limit("expansion.MIXED_SHARE", fires(NOT_OBEYED, lambda n: content(1000, 1000 - n, n)), 300, 299),
    Limit("expansion.RUNNING_S", fires("nmi-not-answered", pressed), 0.99e-3, 1.01e-3),
    Limit("expansion.ANSWERS_S", fires("nmi-not-answered", lambda s: pressed(fell_s=s)), 5.1e-5, 4.9e-5),
)  # fmt: skip

# --- volts ---


def volts(low: float, high: float, between: float = 0.0, slow: int = 0, ringing: int = 0, **levels: float) -> AnalogLevels:
    low_level, high_level = levels.get("low_level"), levels.get("high_level")
    return AnalogLevels(low, high, low, (low + high) / 2, high, between, 0.0, low_level, high_level, 500, 500, slow, ringing)


def weighed(levels: AnalogLevels) -> Any:
    said = weigh_still_line(LineEvidence("M1", edges=0, high_fraction=0.0, volts=levels))
    return said.suspects if said is not None else None


def scoped(levels: AnalogLevels, line: str = "RD", edges: int = 1000, **changes: Any) -> Any:
    return evidence_of(lines={line: LineEvidence(line, edges=edges, high_fraction=0.5, volts=levels)}, **changes)


def swinging(edges: int = 1000, expected: int = 1000) -> Any:
    """Return evidence of a /RFSH on the scope that is as good as can be."""
    return scoped(volts(0.2, 4.0, low_level=0.2, high_level=4.0), "RFSH", edges, strobes={"RFSH": StrobeCount(expected, expected)})


SLOW = volts(0.2, 4.0, slow=500)
VOLTS = (
    Limit("volts.DEAD_BELOW_V", lambda v: weighed(volts(0.3, v)), 0.99, 1.01, VOLTS_DEAD, None),
    Limit("volts.GROUND_V", lambda v: weighed(volts(0.07, v)), 0.099, 0.101, VOLTS_GROUND, VOLTS_DEAD),
    Limit("volts.FLAT_V", lambda v: weighed(volts(0.095 - v, 0.095)), 0.059, 0.061, VOLTS_GROUND, VOLTS_DEAD),
    Limit("volts.WEAK_LOW_V", fires("weak-level", lambda v: scoped(volts(0.2, 4.0, low_level=v))), 0.605, 0.595),
    Limit("volts.WEAK_CLOCK_V", fires("weak-level", lambda v: scoped(volts(0.2, 4.0, high_level=v), "CLK")), 3.45, 3.55),
    Limit("volts.UNDRIVEN_SHARE", lambda share: weighed(volts(0.9, 1.5, share)), 0.505, 0.495, VOLTS_UNDRIVEN, None),
    Limit("volts.WANDERS_SHARE", fires("level-between", lambda share: scoped(volts(0.2, 4.0, share))), 0.151, 0.149),
    Limit("volts.SWINGS_MIN", fires("weak-level", lambda n: scoped(volts(0.2, 4.0, low_level=0.7), edges=n)), 16, 15),
    Limit("volts.SWINGS_MIN", fires("strobe-good", lambda n: swinging(edges=n)), 16, 15),
    Limit("volts.SWINGS_MIN", fires("strobe-good", lambda n: swinging(expected=n)), 16, 15),
    Limit("volts.SLOW_S", fires("slow-edges", lambda s: scoped(SLOW, sample_interval_s=s / 4)), 4.05e-8, 3.95e-8),
    Limit("volts.SLOW_SHARE", fires("slow-edges", lambda n: scoped(volts(0.2, 4.0, slow=n))), 201, 200),
    Limit("volts.RINGING_SHARE", fires("ringing", lambda n: scoped(volts(0.2, 4.0, ringing=n))), 201, 200),
)  # fmt: skip

# --- delays, refresh, interrupts ---


def asks(off: float = 0.2, requests: int = 4) -> Any:
    interrupts = Interrupts(requests, requests, 0.02 * (1 + off), None, 0, {})
    return evidence_of(timing=TimingRecord(1e-9, [], interrupts), profile=Profile("x", interrupt_period_t_states=70_000))


def starved(hz: float) -> Any:
    return evidence_of(clock=clock(hz=hz), longest_without_refresh=Span(0.001, 0.004))


def late(reads: int, pages: int = 1) -> Any:
    return evidence_of(captured=BUS, settling=Settling(100, reads, 0.001, 0.002, tuple(0x400 * k for k in range(pages))))


TIMING = (
    Limit("timing.ONE_LATE_S", fires("one-strobe-late", one_late), 6.05e-8, 5.95e-8),
    Limit("timing.ONE_LATE_S", fires("one-strobe-late", lambda s: one_late(1e-7, second_s=s, others=4)), 2.95e-8, 3.05e-8),
    Limit("timing.ONE_LATE_SAMPLES", fires("one-strobe-late", lambda s: one_late(s, 5e-8)), 8.05e-8, 7.95e-8),
    Limit("timing.IN_STEP_SAMPLES", fires("one-strobe-late", lambda s: one_late(s, 5e-8, 0.0)), 1.505e-7, 1.495e-7),
    Limit("timing.OTHERS_MIN", fires("one-strobe-late", lambda n: one_late(1e-7, others=n)), 3, 2),
    Limit("timing.RISES_LATE_S", fires("rises-late", rising), 4.05e-8, 3.95e-8),
    Limit("timing.RISES_LATE_SAMPLES", fires("rises-late", lambda s: rising(s, 1e-7)), 6.05e-8, 5.95e-8),
    Limit("timing.OFF_RATE", fires("interrupt-rate", asks), 0.101, 0.099),
    Limit("timing.DYNAMIC_HZ", fires("refresh-starved", starved), 505e3, 495e3),
    Limit("timing.REQUESTS_MIN", fires("interrupt-rate", lambda n: asks(requests=n)), 4, 3),
    Limit("timing.LATE_MIN", fires("data-late", late), 3, 2),
    Limit("timing.LATE_SURE", lambda n: found("data-late", late(n))[0].confidence, 8, 7, 0.85, 0.8),
    Limit("timing.PAGES_NAMED", says("data-late", "at addresses in", lambda n: late(9, n)), 4, 5),
    Limit("timing.FETCHES_MIN", lambda n: _kinds_by_fetches(Settling(late=10, fetches=n)), 100, 99, {"ram"}, set()),
    Limit("timing.LATE_FETCHES", lambda n: _kinds_by_fetches(Settling(late=1000, fetches=2000, late_fetches=n)), 400, 399, {"rom"}, set()),
)  # fmt: skip

# --- what comes sooner than it can ---


def cut(by: float, middle: float = 7.0, wide: float = 1.0) -> list[Period]:
    """All in samples: by how much a period is short, the middle one, and between what the usual ones lie."""
    odd = [Period(0.001, (middle - by) * S, middle * S, middle * S)]
    return cut_short(Slips({}, 1000, middle * S, (middle * S, (middle + wide) * S), odd), S)


def many_cut(n: int) -> Any:
    odd = [Period(0.0001 * k, 5 * S, 7 * S, 7 * S) for k in range(n)]
    return evidence_of(slips=Slips({}, 2000, 7 * S, (7 * S, 8 * S), odd))


def pulse(name: str, length: float, apart: float = 0.0) -> bool:
    """In T-states."""
    return _with_a_pulse(Slips({name: [(length / HZ, 0.001 + apart / HZ)]}), Period(0.001, 1e-7, 0.0, 0.0), 1 / HZ)


def broken(breaks: int = 2, apart: float = 0.0, elsewhere: int = 0, jumps: int = 2) -> Any:
    from test_prediction_rules import record

    at = [0.001 * k + apart / HZ for k in range(breaks)] + [0.5] * elsewhere
    kept = [Difference(round(when * 1e9), 0, b"", "next", 0, 0, 0, ()) for when in at]
    moments = [(0.001 * k, 0.001 * k) for k in range(breaks)] + [(0.9, 0.9)] * (jumps - breaks)
    buses = BusesRecord([], 0, [0] * 7, [0] * 7, Operands(), Pushes(), [0] * 16, 0, moments)
    return evidence_of(prediction=record(kept=kept), buses=buses, slips=Slips({}, 1000, 7 * S, (7 * S, 8 * S)))


def bounces(falls: int, apart: float = 10.0) -> Any:
    return evidence_of(timing=TimingRecord(1e-9, [], None, [0.001 + k * apart / HZ for k in range(falls)]))


SHORTEST = {"M1": 1.5, "RFSH": 1.5, "RD": 0.7, "WR": 0.7, "MREQ": 0.25}
SLIPS = (
    Limit("slips.STEADY_SAMPLES", lambda wide: bool(cut(2, wide=wide)), 1.09, 1.11),
    Limit("slips.CUT_SAMPLES", lambda by: bool(cut(by)), 1.51, 1.49),
    Limit("slips.CUT_SHARE", lambda by: bool(cut(by, 100)), 10.5, 9.5),
    Limit("slips.MANY_CUT", fires("clock-slips", many_cut), 40, 41),
    Limit("slips.NEAR_T", lambda apart: pulse("M1", 1.0, apart), 3.95, 4.05),
    *(Limit(f"slips.SHORTEST_T[{name}]", lambda part, name=name, t=t: pulse(name, part * t), 0.99, 1.01) for name, t in SHORTEST.items()),
    Limit("slips.BROKEN_T", fires("clock-slips", lambda apart: broken(apart=apart)), 19.8, 20.2),
    Limit("slips.BROKEN_OFF", fires("clock-slips", lambda n: broken(n, jumps=n)), 2, 1),
    Limit("slips.BROKEN_SHARE", fires("clock-slips", lambda n: broken(20, elsewhere=n, jumps=20)), 20, 21),
    Limit("slips.JUMPS_PER_BREAK", fires("clock-slips", lambda n: broken(jumps=n)), 8, 9),
    Limit("slips.BOUNCE_T", fires("nmi-bounces", lambda apart: bounces(3, apart)), 63.5, 64.5),
    Limit("slips.BOUNCES", fires("nmi-bounces", bounces), 3, 2),
    Limit("slips.BOUNCES_MOST", fires("nmi-bounces", bounces), 24, 25),
)  # fmt: skip

# --- leads, free run ---


def exchanged(witnesses: int, witness: str) -> Any:
    return evidence_of(leads=LeadsRecord(Relabelling(("INT", "NMI"), False, 0.0, 1.0, witnesses, witness)))


def stays(lines: int) -> Any:
    record = FreeRunRecord(100, [CountedLine(f"A{k}", "low", None, 0, 2**k) for k in range(lines)])
    return evidence_of(free_run=record)


LEADS = (
    Limit("leads.CONSEQUENCES_MIN", fires("leads-swapped", lambda n: exchanged(n, "consequences")), 3, 2),
    Limit("leads.MODEL_MIN", strong("leads-swapped", lambda n: exchanged(n, "model")), 6, 5),
    Limit("free_run.LINES_TOLD", lambda n: len(found("free-run-count", stays(n))), 4, 5, 4, 4),
    Limit("free_run.LINES_TOLD", lambda n: len(found("free-run-count", stays(n))), 9, 3, 4, 3),
)  # fmt: skip

LINES = [*BASE, *CLOCK, *HELD, *STROBES, *BEHAVIOUR, *CAPTURE, *EXPANSION, *VOLTS, *TIMING, *SLIPS, *LEADS]
