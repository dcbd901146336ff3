"""What comes sooner than it can: periods cut short, spikes on several outputs, edges of /NMI; and strobes that all rise late."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hand_made import evidence_of, of_memory

from strobewise.bus.lines import BIT
from strobewise.capture.records import Block
from strobewise.evidence.slips import SlipsPart
from strobewise.records.buses import BusesRecord, Operands, Pushes
from strobewise.records.evidence import BusEvidence
from strobewise.records.prediction import Difference, LineCount, PredictionRecord
from strobewise.records.slips import Period, Slips
from strobewise.records.timing import Delay, TimingRecord
from strobewise.rules import run

NS = 1e-9
SAMPLE = 42 * NS
T = 294 * NS  #: seven samples


def found(**changes):
    evidence = evidence_of(sample_interval_s=SAMPLE, **changes)
    return {finding.rule: finding for finding in run(evidence)}


def slips(*odd, periods=1000, usual=(T, T + SAMPLE), **pulses):
    rows = [Period(0.001 * k, *((*each, T, T)[:3] if isinstance(each, tuple) else (each, T, T))) for k, each in enumerate(odd)]
    return Slips(pulses, periods, T, usual, rows)


SHORT = {"M1": [(1.4 * T, 0.0)]}


@pytest.mark.parametrize(
    ("record", "tells"),
    [
        (slips(T - 2 * SAMPLE, T - 2 * SAMPLE), True),
        (slips(T - 1 * SAMPLE, T - 1 * SAMPLE), False),  # as sampling takes it
        (slips(T - 2 * SAMPLE), False),  # one alone
        (slips(T - 2 * SAMPLE, **SHORT), True),  # with a pulse of /M1 that is cut short as well
        (slips(T - 2 * SAMPLE, M1=[(1.6 * T, 0.0)]), False),
        (slips(T - 2 * SAMPLE, M1=[(1.4 * T, 5 * T)]), False),  # elsewhere
        (slips(*[T - 2 * SAMPLE] * 20), True),
        (slips(*[T - 2 * SAMPLE] * 21), False),  # so the clock runs
        (slips(T - 2 * SAMPLE, T - 2 * SAMPLE, usual=(T, T + 2 * SAMPLE)), False),  # it is not steady
        (slips((T - 2 * SAMPLE, 2 * SAMPLE), (T - 2 * SAMPLE, 2 * SAMPLE)), False),  # a spike on CLK
        (slips(T + 9 * SAMPLE, T + 9 * SAMPLE), False),  # a board may stretch it
    ],
)
def test_periods_cut_short(record, tells):
    assert ("clock-slips" in found(slips=record)) == tells
    assert "clock-slips" not in found(slips=record, samples_per_t=3.9)
    assert "clock-slips" not in found(slips=record, clocked="falling")


def predicted(*starts):
    kept = [Difference(start, 0, b"\x00", "next", 1, 2, 0, ()) for start in starts]
    none = [LineCount() for _ in range(16)]
    return PredictionRecord(900, 900, 300, 1, {"next": len(kept)}, kept, 1e-6, none[:8], none, [0] * 16, {}, {}, {}, 0, False)


def jumping(*spans):
    return BusesRecord([], 500, [0] * 7, [0] * 7, Operands(), Pushes(), [9] * 16, refresh_jumps=list(spans))


@pytest.mark.parametrize(
    ("at", "jumps", "tells"),
    [
        ((100, 300), 2, True),
        ((100,), 2, False),
        ((100, 300, 500, 600), 2, True),
        ((100, 300, 500, 600, 700), 2, False),
        ((100, 300), 8, True),
        ((100, 300), 9, False),  # LD R,A, again and again
        ((107, 307), 2, False),  # 24 T-states from there
        ((105, 305), 2, True),
    ],
)
def test_the_refresh_address_jumps_where_the_program_breaks_off(at, jumps, tells):
    spans = [(99e-6 + 200e-6 * k, 100e-6 + 200e-6 * k) for k in range(2)] + [(0.005 + 1e-5 * k, 0.005 + 1e-5 * k) for k in range(jumps - 2)]
    finding = found(slips=slips(), prediction=predicted(*at), buses=jumping(*spans), memory=of_memory()).get("clock-slips")
    assert (finding is not None) == tells


# --- what is measured ---


def measured(levels, pieces=1):
    """Return the record of levels of CLK (bit 0 of each) and /M1 (bit 1), a sample each."""
    words = np.array([(level & 1) << BIT["CLK"] | (level >> 1) << BIT["M1"] for level in levels], np.uint64)
    changes = np.r_[0, np.flatnonzero(words[1:] != words[:-1]) + 1]
    part = SlipsPart(frozenset(("CLK", "M1")), 1e-6)
    for piece in np.array_split(changes, pieces):
        part.block(Block(piece.astype(np.int64), words[piece], None))
    evidence = BusEvidence()
    part.fill(evidence)
    return evidence.slips


@pytest.mark.parametrize("pieces", [1, 2, 5])
def test_short_pulses_and_odd_periods_are_kept(pieces):
    steady = [2, 2, 2, 3, 3, 3]
    record = measured([*steady * 20, 2, 3, *steady * 20, 0, *steady * 5], pieces)
    assert record.periods == 45 and record.middle_s == pytest.approx(6e-6)
    assert min(period.length_s for period in record.odd) == pytest.approx(4e-6)
    assert max(period.length_s for period in record.odd) == pytest.approx(7e-6)
    assert record.pulses["M1"][0] == (pytest.approx(1e-6), pytest.approx(242e-6))


# --- spikes on outputs ---


@pytest.mark.parametrize(
    ("pulses", "changes", "tells"),
    [
        ({"M1": [(SAMPLE, 0.001)], "RD": [(SAMPLE, 0.002)]}, {}, True),
        ({"M1": [(SAMPLE, 0.001)]}, {}, False),  # one line alone may fail
        ({"M1": [(SAMPLE, 0.001)], "MREQ": [(SAMPLE, 0.002)]}, {}, False),  # counted by themselves
        ({"M1": [(SAMPLE, 0.001)], "RD": [(1.6 * SAMPLE, 0.002)]}, {}, False),
        ({"M1": [(SAMPLE, 0.001)], "RD": [(SAMPLE, 0.002)]}, {"samples_per_t": 5.9}, False),
        ({"M1": [(SAMPLE, 0.001)], "RD": [(SAMPLE, 0.002)]}, {"granted": True}, False),  # /RD floats then
        ({"M1": [(SAMPLE, 0.001)], "RFSH": [(SAMPLE, 0.002)]}, {"granted": True}, True),
    ],
)
def test_spikes_on_outputs(pulses, changes, tells):
    granted = changes.pop("granted", False)
    evidence = evidence_of(sample_interval_s=SAMPLE, slips=slips(**pulses), **changes)
    evidence.cycles["bus_granted"] = int(granted)
    finding = next((each for each in run(evidence) if each.rule == "spikes"), None)
    assert (finding is not None) == tells
    assert not finding or finding.first_s == 0.001


# --- /NMI ---


@pytest.mark.parametrize(
    ("steps_t", "tells"),
    [
        ([40, 40], True), ([63, 63], True), ([65, 65], False), ([40], False), ([40, 200, 40], False), ([5000, 40, 40], True),
        ([40] * 23, True), ([40] * 24, False), ([], False),
    ],
)  # fmt: skip
def test_nmi_that_bounces(steps_t, tells):
    falls = (0.001 + np.cumsum([0, *steps_t]) / 3.5e6).tolist()
    finding = found(timing=TimingRecord(SAMPLE, [], None, falls)).get("nmi-bounces")
    assert (finding is not None) == tells


# --- strobes that rise late ---


def delays(**late_ns):
    symbols = {"M1": ("TdCr(M1f)", "TdCr(M1r)"), "RFSH": ("TdCr(RFSHf)", "TdCr(RFSHr)"), "WR": ("TdCf(WRf)", "TdCf(WRr)")}
    means = [(symbol, line, 50 * NS + by * late_ns[line] * NS) for line in late_ns for by, symbol in enumerate(symbols[line])]
    return [Delay(symbol, line, 500, mean, mean, mean, [], [], mean) for symbol, line, mean in means]


@pytest.mark.parametrize(
    ("late", "sample_ns", "samples_per_t", "tells"),
    [
        ({"M1": 41, "RFSH": 50, "WR": 60}, 42, 7.0, True),
        ({"M1": 41, "RFSH": 39, "WR": 60}, 42, 7.0, False),
        ({"M1": 41, "WR": 60}, 42, 7.0, True),
        ({"M1": 60}, 42, 7.0, False),  # one alone: that line
        ({"M1": 49, "WR": 49}, 80, 7.0, True),
        ({"M1": 47, "WR": 47}, 80, 7.0, False),  # three fifths of a sample
        ({"M1": 60, "WR": 60}, 42, 3.9, False),
    ],
)
def test_strobes_that_rise_late(late, sample_ns, samples_per_t, tells):
    record = TimingRecord(sample_ns * NS, delays(**late), None)
    assert ("rises-late" in found(timing=record, samples_per_t=samples_per_t)) == tells


# --- a clock that varies ---


@pytest.mark.parametrize(
    ("usual_ns", "deviation_ns", "samples", "tells"),
    [
        ((240, 350), 26, 6.8, True), ((240, 350), 25, 6.8, False), ((290, 400), 26, 6.8, False), ((190, 296), 26, 6.8, False),
        ((265, 380), 26, 6.8, True), ((268, 380), 26, 6.8, False), ((240, 350), 26, 7.0, False), ((240, 350), 26, 7.009, False),
        ((240, 350), 26, 7.011, True), ((240, 350), 33.2, 7.0, True), ((240, 350), 33, 7.0, False),
    ],
)  # fmt: skip
def test_a_clock_that_varies_both_ways(usual_ns, deviation_ns, samples, tells):
    """A twentieth of 286 ns is 14.3 ns; half a sample of 42 ns takes 21 ns, and 25.4 ns are left of both.

    Where clock and analyser run in step, all edges may fall just at a sample: that takes 0.71 of a sample, and 33.1 ns are left of both.
    """
    clock = replace(evidence_of().clock, deviation_s=deviation_ns * NS)
    record = slips(usual=(usual_ns[0] * NS, usual_ns[1] * NS))
    assert ("clock-jitter" in found(slips=record, clock=clock, samples_per_t=samples)) == tells
