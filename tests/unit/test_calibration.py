"""The time base learned from strobes alone. Pulse shapes: UM0080, op-code fetch and memory read figures."""

from __future__ import annotations

import random

import pytest

from strobewise.bus.calibration import Calibration, TimeBase, calibrate
from strobewise.bus.estimates import Strobes, before_reads, by_distances, clock_period, t_from_mreq, t_from_widths
from strobewise.bus.in_step import sample_interval


def mreq_pulses(t, kinds, sample=1.0, waits=0, phase=0.0):
    """Return /MREQ pulses of a row of cycles ("f" fetch, "r" read), sampled."""
    pulses, now = [], phase
    for kind in kinds:
        first = 1.5 if kind == "f" else 2.0
        edges = [(0.5, 0.5 + first + waits)]
        if kind == "f":
            edges.append((1.0 + first + waits, 2.0 + first + waits))
        pulses += [tuple(int(-(-(now + at * t) // sample) * sample) for at in pair) for pair in edges]
        now += ((4 if kind == "f" else 3) + waits) * t
    return pulses


def program(seed, n=120):
    rng = random.Random(seed)
    return "".join("f" + "r" * rng.randint(0, 3) for _ in range(n))


@pytest.mark.parametrize("samples_per_t", [3.1, 4.3, 6.9, 11.7, 30.3])
@pytest.mark.parametrize("waits", [0, 1, 3])
def test_a_t_state_from_mreq_alone(samples_per_t, waits):
    sample = 40.0
    t = samples_per_t * sample
    found = t_from_mreq(mreq_pulses(t, program(1), sample, waits, phase=3.7), sample)
    assert found == pytest.approx(t, rel=0.04)


def test_too_few_pulses_say_nothing():
    assert t_from_mreq([(0, 5)] * 7, 1.0) is None
    assert t_from_widths([(0, 5)] * 7, 2.0, 1.0) is None
    assert clock_period([0, 10, 20, 30]) is None


def test_the_clock_period_is_deaf_to_a_pause():
    rises = [10 * k for k in range(50)] + [2000 + 10 * k for k in range(50)]
    assert clock_period(rises) == 10.0


def calibrated(clock=(), mreq=(), rfsh=(), m1=(), rd=(), sample=1.0, given=None, **more):
    return calibrate(list(clock), list(mreq), list(rfsh), list(m1), list(rd), sample, TimeBase(None, given), **more)


def test_a_good_clock_line_is_counted():
    found = calibrated(clock=range(0, 7000, 70), mreq=mreq_pulses(70, program(2)))
    assert (found.counts_clock, found.t_source, found.t_ticks) == (True, "CLK", 70.0)


def test_a_clock_line_that_contradicts_the_strobes_is_not():
    found = calibrated(clock=range(0, 70000, 700), mreq=mreq_pulses(70, program(2)))
    assert not found.counts_clock and found.t_source == "MREQ"


def test_a_given_clock_never_overrules_clk_and_always_the_strobes():
    found = calibrated(clock=range(0, 7000, 70), mreq=mreq_pulses(70, program(2)), given=35.0)
    assert found.t_ticks == 70.0
    found = calibrated(mreq=mreq_pulses(70, program(2)), given=35.0)
    assert (found.t_ticks, found.t_source) == (35.0, "given") and found.strobe_t_ticks == pytest.approx(70.0, rel=0.02)


def test_a_given_clock_serves_without_a_clock_line():
    found = calibrated(mreq=mreq_pulses(70, program(2)), given=71.0)
    assert (found.t_ticks, found.t_source) == (71.0, "given")


def test_a_clock_sampled_too_slowly_is_seen_by_the_strobes():
    rfsh = [(1000 * k, 1000 * k + 140) for k in range(40)]
    found = calibrated(clock=range(0, 30000, 300), rfsh=rfsh, sample=60.0)
    assert not found.counts_clock


def test_unbelievable_mreq_frames_nothing():
    good = mreq_pulses(70, program(2))
    assert calibrated(mreq=good, rd=good).mreq_frames
    assert not calibrated(mreq=good, rd=good, framed=0.4).mreq_frames
    assert not calibrated(mreq=good, proper_io=0.3).iorq_frames


@pytest.mark.parametrize(
    ("true_t", "given_t", "believed"),
    [
        (4 / 3, 4 / 3, 4 / 3),  # 6 MHz at 8 MHz shows as 2 MHz: that is no clock off its frequency
        (4.0, 4 / 3, 4 / 3),  # and so would a clock that is: nobody can tell at this rate
        (5.0, 4 / 3, 5.0),  # no alias of the given clock
        (4.0, 3.0, 4.0),  # fast enough to see the given clock: CLK itself is believed
    ],
)
def test_a_clock_sampled_too_slowly_to_be_seen_leaves_the_given_one_standing(true_t, given_t, believed):
    """Sampling theorem: below two samples a period a frequency shows as its distance from a multiple of the sample rate."""
    levels = [(k + 0.137) / true_t % 1.0 < 0.5 for k in range(2000)]
    rises = [k for k in range(1, len(levels)) if levels[k] and not levels[k - 1]]
    assert calibrated(clock=rises, given=given_t).t_ticks == pytest.approx(believed, rel=0.02)


def _fetches(period, late, count=60):
    """Return rising clock edges and the pulses of /MREQ, /RFSH and /M1 of fetches, each edge `late` ticks behind what causes it."""
    half = period // 2
    rises = list(range(0, 4 * count * period, period))
    starts = rises[::4]
    m1 = [(t + late, t + 2 * period + late) for t in starts]
    rfsh = [(t + 2 * period + late, t + 4 * period + late) for t in starts]
    mreq = [
        pulse for t in starts for pulse in (
            (t + half + late, t + 2 * period + late), (t + 2 * period + half + late, t + 3 * period + half + late))
    ]  # fmt: skip
    return rises, mreq, rfsh, m1


@pytest.mark.parametrize(
    ("late", "given", "samples"),
    [
        (0, 1.0, 2500), (0, 1250.0, 2500),  # a simulation without delays, also where its half clock was taken for a sample
        (1250, 1.0, 2), (1250, 1250.0, 2),  # two samples a clock, edges seen a sample late
        (300, 1.0, 2500), (300, 10.0, 250),  # edges in between: the times are finer than that
    ],
)  # fmt: skip
def test_edges_on_half_clocks_are_exact_or_two_samples_a_clock(late, given, samples):
    rises, mreq, rfsh, m1 = _fetches(2500, late)
    assert calibrate(rises, mreq, rfsh, m1, [], given).samples_per_t == pytest.approx(samples, rel=0.01)


@pytest.mark.parametrize(("sample", "counted"), [(10.0, True), (9.0, True), (11.0, False)])
def test_a_clock_is_counted_from_a_little_more_than_two_samples_a_period_on(sample, counted):
    assert calibrated(clock=range(0, 2400, 24), sample=sample).counts_clock == counted


@pytest.mark.parametrize(("m1_late", "sample"), [(0, 1.0), (1250, 1250.0)])
def test_strobes_alone_on_half_t_states_are_exact_where_each_is_in_its_place(m1_late, sample):
    """What looks like a sample is half a T-state of 2500; with /M1 half a T-state late it is two samples a T-state after all."""
    _, mreq, rfsh, m1 = _fetches(2500, 0)
    m1 = [(start + m1_late, end + m1_late) for start, end in m1]
    assert calibrated(mreq=mreq, rfsh=rfsh, m1=m1, sample=1250.0).sample_ticks == sample


@pytest.mark.parametrize("early", [0, 1])
def test_strobes_alone_are_exact_only_where_both_ends_of_m1_are(early):
    """/M1 rises half a T-state before the refresh falls (UM0080); where it rises elsewhere, two samples a T-state explain it."""
    _, mreq, rfsh, m1 = _fetches(2500, 0)
    m1 = [(start, end - 1250 * early) for start, end in m1]
    assert calibrated(mreq=mreq, rfsh=rfsh, m1=m1, sample=1250.0).sample_ticks == (1250.0 if early else 1.0)


@pytest.mark.parametrize(
    ("source", "t_ticks", "told"),
    [("CLK", 2.0, True), ("given", 2.0, True), ("clocked", 2.0, True), ("MREQ", 2.9, True), ("MREQ", 2.8, False), ("CLK", None, False)],
)  # fmt: skip
def test_cycles_have_a_length_but_by_a_t_state_that_strobes_tell_at_few_samples(source, t_ticks, told):
    assert Calibration(t_ticks, source, 1.0, False, True).tells_lengths == told


@pytest.mark.parametrize(("samples", "told"), [(5.0, True), (4.5, False)])
def test_mreq_says_how_long_a_t_state_is_where_it_was_sampled_closely(samples, told):
    t = 90.0
    found = calibrated(mreq=mreq_pulses(t, program(2), sample=t / samples), sample=t / samples)
    assert (found.strobe_t_ticks is not None) == told and found.t_source == "MREQ"


def test_what_other_strobes_say_does_not_contradict_a_given_clock():
    m1 = [(400 * k, 400 * k + 200) for k in range(40)]  # /M1 is low for two T-states of a fetch (UM0080)
    found = calibrated(m1=m1)
    assert found.t_source == "M1" and found.t_ticks == pytest.approx(100) and found.strobe_t_ticks is None


@pytest.mark.parametrize(("usual", "joins"), [(2, False), (3, True)])
def test_one_sample_is_a_spike_where_the_gap_before_a_refresh_is_longer(usual, joins):
    gaps = [usual, 8] * 40
    gaps[60] = 1
    pulses, now = [], 0
    for count, gap in enumerate(gaps):
        width = 4 if count % 2 else 7
        pulses.append((now, now + width))
        now += width + gap
    assert calibrate([], pulses, [], [], [], 1.0).joins_gaps == joins


@pytest.mark.parametrize(("clock", "counted"), [(70, True), (97, True), (99, False), (50, True), (48, False)])
def test_a_clock_is_counted_where_the_strobes_agree_with_it(clock, counted):
    """/MREQ says 70: from 0.7 to 1.4 times as long it is the same clock."""
    assert calibrated(clock=range(0, 100 * clock, clock), mreq=mreq_pulses(70, program(2))).counts_clock == counted


@pytest.mark.parametrize(("clock", "counted"), [(100, True), (118, False)])
def test_a_clock_longer_than_the_strobes_allow_is_none(clock, counted):
    """/RFSH low for two T-states of at most 72, as its pulses of 145 say; no gap of /MREQ was captured."""
    rfsh = [(1000 * k, 1000 * k + 145) for k in range(40)]
    assert calibrated(clock=range(0, 100 * clock, clock), rfsh=rfsh).counts_clock == counted


def test_requests_of_one_shape_are_no_refreshes():
    """A refresh lasts twice as long as the gap before it (UM0080); requests of another bus master need not. Told from six samples on."""
    assert t_from_mreq([(at, at + 112) for at in range(0, 22400, 224)], 4.0) is None
    assert t_from_mreq([(at, at + 10) for at in range(0, 2000, 20)], 4.0) is not None  # two samples each: the grid hides the difference
    refreshed = [pulse for at in range(0, 22400, 400) for pulse in ((at, at + 150), (at + 200, at + 300))]
    assert t_from_mreq(refreshed, 4.0) == pytest.approx(100)


@pytest.mark.parametrize("samples_per_t", [3.0, 3.1, 3.5, 4.2, 5.0, 7.3])
@pytest.mark.parametrize("phase", [0.0, 0.1, 0.7])
@pytest.mark.parametrize("waits", [0, 1])
def test_the_clock_by_what_lies_between_the_falls(samples_per_t, phase, waits):
    """In step with the analyser every width comes out long or short alike, up to a seventh; the distances do not."""
    sample = 40.0
    t = samples_per_t * sample
    found = calibrated(mreq=mreq_pulses(t, program(3), sample, waits, phase * sample), sample=sample)
    assert found.t_ticks == pytest.approx(t, rel=0.004)


def test_falls_that_are_no_whole_clocks_apart_say_nothing():
    rng = random.Random(4)
    falls = [0]
    for _ in range(200):
        falls.append(falls[-1] + round(100 * rng.uniform(2, 9)))
    assert by_distances(falls, 100.0) == 100.0
    assert by_distances(range(0, 32 * 400, 400), 100.0) == 100.0  # 31 distances are too few
    assert by_distances(range(0, 33 * 412, 412), 100.0) == pytest.approx(103.0)


@pytest.mark.parametrize(("behind", "exact"), [(35, True), (70, False)])
def test_edges_of_rd_on_half_clocks_tell_exact_times_from_two_samples_a_clock(behind, exact):
    """Nothing else was captured that falls with one edge of CLK; /RD falls with the falling one (UM0080)."""
    rd = [(280 * k + behind, 280 * k + behind + 105) for k in range(200)]
    assert calibrated(clock=range(0, 70 * 800, 70), rd=rd).sample_ticks == (1.0 if exact else 35.0)


def test_a_clock_whose_edges_lie_just_at_a_sample_is_seen_short_and_long_in_turn():
    """Four samples a period, seen as 3 and 5, and one period in nine that the board stretches to twice its length."""
    steps = [step for _ in range(40) for step in (*[18, 32] * 4, 50)]
    rises = [sum(steps[:k]) for k in range(len(steps) + 1)]
    assert clock_period(rises) == 25.0


def test_edges_of_which_no_period_is_like_two_of_them_are_no_clock():
    assert clock_period([k // 2 * 110 + k % 2 * 10 for k in range(40)]) is None


@pytest.mark.parametrize(("sample", "earlier"), [(1.0, 18), (9.0, 18), (10.0, 20)])
def test_how_long_before_a_read_mreq_is_looked_at(sample, earlier):
    """Two samples; where those are short, an eighth of the shortest reads but for spikes, whatever the waits of the others."""
    reads = [(1000 * k, 1000 * k + (600 if k % 3 else 150)) for k in range(24)]
    assert before_reads([*reads, (90_000, 90_001)], sample) == earlier


def of_fetches(half, count, reads=0, late=0):
    """Return fetches without CLK whose edges all lie on halves of a T-state, and reads behind them; late: /M1 by so many of them."""
    mreq = [(6 * half * n + at, 6 * half * n + at + width) for n in range(count) for at, width in ((half, 3 * half), (5 * half, 2 * half))]
    m1 = [(start - half, start + 3 * half + late) for start, _ in mreq[::2]]
    behind = mreq[-1][1] + 20 * half
    return Strobes(mreq + [(behind + 10 * half * n, behind + 10 * half * n + 5 * half) for n in range(reads)], [], m1, [], [])


@pytest.mark.parametrize(
    ("half", "count", "reads", "found"),
    [(50, 16, 0, 1.0), (50, 15, 0, 50), (8, 16, 0, 1.0), (7, 16, 0, 7), (50, 16, 160, 1.0), (50, 16, 161, 50)],
)
def test_without_a_clock_edges_on_half_states_show_that_nothing_was_lost(half, count, reads, found):
    """Sixteen refreshes, of half a T-state that rounding does not hide, and one for each dozen of pulses at the least."""
    assert sample_interval([], of_fetches(half, count, reads), float(half)) == found


@pytest.mark.parametrize(("periods", "found"), [
    ((100, 150), 50.0), ((101, 149), 1.0), ((250, 500), 1.0),  # a sample apart; to the tick; held for a whole period
])  # fmt: skip
def test_a_clock_of_two_lengths_shows_the_samples_that_the_times_do_not(periods, found):
    """2.5 samples a period, and something changes in each: no time tells that nothing lies between two of them."""
    rises = [0]
    for number in range(40):
        rises.append(rises[-1] + periods[number % 2])
    late = [(rise + 7, rise + 107) for rise in rises[:-1:4]]
    assert sample_interval(rises, Strobes([], [], late, [], []), 1.0) == found
