"""What changes over time is drawn: strobes, reads, delays, retention; over captures and within one; in case, page and survey."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from strobewise.archive.course import counted, series_of
from strobewise.archive.run import survey_folder
from strobewise.case.reads_part import ENOUGH_KEPT, LEAST_HOLD_S, ReadsPart
from strobewise.case.state import judge_case
from strobewise.case.store import add_capture, new_case, open_case, withdraw
from strobewise.case.trend import TrendPoint, trend_of_points
from strobewise.machine.faults import fault
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise_cli.main import main
from strobewise_cli.page_server.desk import Beginning, View
from strobewise_cli.render.bench_html import render_bench
from strobewise_cli.render.case_html import render_page
from strobewise_cli.render.case_markdown import render_markdown
from strobewise_cli.render.case_text import trend_lines, trend_shown
from strobewise_cli.render.trend_charts import bars, series_chart, trend_charts, within_lines

OVER = ["Missing strobes from", "Wrong reads from", "Delays behind the clock from", "How long memory held"]


def point(number, **told):
    values = {"minutes_on": number * 10.0, "missing": {}, "within": {}, "wrong_reads": (0, 0), "delays_ns": {}, "sample_ns": 10.0}
    return TrendPoint(number, **{**values, **told})


def titles(trend):
    return [chart.title for chart in trend_charts(trend)]


WORSE = [
    point(
        n, missing={"M1": (1000, 100 * n)}, within={"M1": [(100, 10 * n + k) for k in range(6)]}, wrong_reads=(1000, 50 * n),
        reads_within=[(100, k * n) for k in range(9)], delays_ns={"TdCr(M1f)": 50.0 + 30 * n}, holds_ms=8.0 / n,
    )
    for n in (1, 2, 3)
]  # fmt: skip


def test_everything_that_the_series_knows_is_drawn():
    trend = trend_of_points(list(WORSE))
    assert [title for title in OVER if any(told.startswith(title) for told in titles(trend))] == OVER
    assert [title.split(",")[0] for title in titles(trend)[4:]] == ["Within capture 1", "Within capture 2", "Within capture 3"]
    first = trend_charts(trend)[0]
    assert "● /M1 10 %, 20 %, 30 %" in first.summary and [label.text for label in first.labels if "min" in label.text] == [
        "10 min", "20 min", "30 min",
    ]  # fmt: skip
    told = "\n".join(trend.warnings)
    assert "wrong reads become more within capture 3" in told and "memory loses what was written sooner and sooner: after 8 ms" in told
    assert "the delay TdCr(M1f) grows" in told and "wrong reads become more from capture to capture" in told


@pytest.mark.parametrize(
    ("field", "value", "title"),
    [("missing", {"M1": (1000, 0)}, OVER[0]), ("wrong_reads", (1000, 0), OVER[1]), ("delays_ns", {}, OVER[2]), ("holds_ms", None, OVER[3])],
)
def test_what_nothing_is_known_of_is_not_drawn(field, value, title):
    trend = trend_of_points([each._replace(**{field: value}) for each in WORSE])
    drawn = [each for each in OVER if any(told.startswith(each) for told in titles(trend))]
    assert drawn == [each for each in OVER if each != title]


def test_one_capture_has_no_series_but_its_inside():
    assert [title.split(",")[0] for title in titles(trend_of_points(WORSE[:1]))] == ["Within capture 1"]
    assert trend_charts(None) == [] and trend_charts(trend_of_points([point(1)])) == []


def test_what_is_dead_throughout_has_no_course():
    dead = point(1, missing={"M1": (600, 600)}, within={"M1": [(100, 100)] * 6}, reads_within=[(10, 0), (0, 0)])
    trend = trend_of_points([dead])
    assert trend_charts(trend) == [] and within_lines(trend) == [] and not trend_shown(trend)


def test_a_picture_begins_at_nothing_or_at_its_least():
    where = [(0.0, "a"), (1.0, "b")]
    low, high = (series_chart("t", where, {"x": [50.0, 100.0]}, str, each) for each in (False, True))
    assert low.labels[1].text == "0.0" and high.labels[1].text == "50.0"
    assert low.paths[0][1] != high.paths[0][1]
    assert series_chart("t", where, {"x": [0.0, 0.0]}, str) is None and series_chart("t", where, {"x": [None, None]}, str) is None
    assert series_chart("t", where, {"x": [5.0, 5.0]}, str, True) is not None  # one value alone has no scale


def test_fixed_type_draws_with_bars():
    assert bars([0.0, 0.5, 1.0, None]) == "▁▅█ " and bars([None, 0.0]) == " ▁"
    lines = within_lines(trend_of_points(list(WORSE)))
    assert len(lines) == 6 and lines[-1].startswith("within 3: wrong reads") and lines[-1].endswith("0 % .. 24 %")


def test_a_row_of_a_survey_holds_the_series_and_gives_it_back():
    row = {"status": "examined", "case_folder": "x", "entry": 3, "withdrawn": None, "minutes_on": 30.0, "timing_known_to_ns": 10.0}
    for delay in ("m1_rise_ns", "m1_fall_ns", "mreq_rise_ns", "mreq_fall_ns", "rd_rise_ns", "rd_fall_ns", "wr_rise_ns", "wr_fall_ns",
                  "iorq_rise_ns", "iorq_fall_ns", "rfsh_rise_ns", "rfsh_fall_ns", "halt_rise_ns", "halt_fall_ns"):  # fmt: skip
        row[delay] = None
    row.update(counted(WORSE[2]))
    (back,) = series_of([row])["x"].points
    assert back.within == WORSE[2].within and back.reads_within == WORSE[2].reads_within and back.holds_ms == WORSE[2].holds_ms
    assert row["m1_missing"] == 0.3 and row["rd_missing"] is None and series_of([{**row, "withdrawn": "wrong"}]) == {}


PLENTY = ("CLK", "MREQ", "M1", "RD", "WR", "RFSH", "IORQ", *(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)))


def captured(path, **settings):
    with open(path, "w", encoding="ascii") as file:
        simulate(**{"lines": PLENTY, "duration_s": 0.012, **settings}).write_vcd(file)
    return path


@pytest.fixture(scope="module")
def warming(tmp_path_factory):
    """A case of a machine whose /M1 fails more and more, and whose RAM bit fails now and then."""
    folder = tmp_path_factory.mktemp("warm")
    case = new_case(folder / "shop" / "case", symptom="dies-warm", machine="the grey one")
    for minutes, ramp in ((1, None), (10, 0.1), (20, 0.01)):
        late = fault("late-data", chip="ram", probability=minutes / 40)
        faults = [] if ramp is None else [fault("intermittent", line="M1", at="cpu", level="high", after_s=0.001, ramp_s=ramp), late]
        case = add_capture(case, captured(folder / f"{minutes}.vcd", faults=faults), minutes_on=minutes)
    return case


def test_the_case_draws_it_on_page_sheet_and_terminal(warming):
    state = judge_case(warming)
    last = state.trend.points[-1]
    assert sum(wrong for _, wrong in last.reads_within) == last.wrong_reads[1] > 0
    assert sum(compared for compared, _ in last.reads_within) == last.wrong_reads[0]
    page = render_bench(View(state, (), 1, ()), Beginning(None, 8), "token")
    for text in (page, render_page(state)):
        assert all(f"<h3>{title}" in text for title in (OVER[0], OVER[1], OVER[2], "Within capture 3, on for 20 min"))
        assert text.count('class="trend"') >= 4
    lines = "\n".join(trend_lines(state.trend))
    assert "within 3: /M1 " in lines and "within 3: wrong reads" in lines and " ns in 3" in lines
    assert "within 3: /M1 " in render_markdown(state)


def test_a_survey_draws_the_same_and_warns(warming, tmp_path, capsys):
    status = main(["survey", str(warming.folder.parent), "--processes", "1", "--html", str(tmp_path / "page.html")])
    page = (tmp_path / "page.html").read_text()
    assert status == 1 and "<h2>the grey one</h2>" in page and "src=" not in page and "href=" not in page
    assert all(f"<h3>{title}" in page for title in (OVER[0], OVER[1], OVER[2], "Within capture 3, on for 20 min"))
    assert "warning case: /M1 fails more and more from capture to capture" in " ".join(capsys.readouterr().out.split())
    own = judge_case(warming).trend
    (there,) = series_of([record.capture for record in survey_folder(str(warming.folder.parent), Options()).records]).values()
    assert [each.within for each in there.points] == [each.within for each in own.points]
    assert [each.reads_within for each in there.points] == [each.reads_within for each in own.points]
    assert [each.wrong_reads for each in there.points] == [each.wrong_reads for each in own.points]


def test_what_was_withdrawn_is_drawn_nowhere(warming, tmp_path):
    shutil.copytree(warming.folder, tmp_path / "case")
    case = withdraw(open_case(tmp_path / "case"), 3, "wrong machine")
    assert [each.number for each in judge_case(case).trend.points] == [1, 2]
    (there,) = series_of([record.capture for record in survey_folder(str(tmp_path), Options()).records]).values()
    assert [each.number for each in there.points] == [1, 2]


@pytest.mark.parametrize("retention_ms", [0.2, 0.5, 1.0])
def test_memory_that_is_not_refreshed_tells_how_long_it_holds(tmp_path, retention_ms):
    """A byte that is lost was left alone for at least that long; the program comes by a little later at times."""
    lost = captured(tmp_path / "a.vcd", faults=[fault("ram-not-refreshed", retention_ms=retention_ms)], duration_s=0.03)
    (point,) = judge_case(add_capture(new_case(tmp_path / "case", symptom="garbage"), lost)).trend.points
    assert point.wrong_reads[1] and retention_ms <= point.holds_ms < 1.3 * retention_ms


@pytest.mark.parametrize(
    ("kept", "lost_s", "told"),
    [(ENOUGH_KEPT - 1, 1e-3, False), (ENOUGH_KEPT, 1e-3, True), (ENOUGH_KEPT, LEAST_HOLD_S + 1e-6, True),
     (ENOUGH_KEPT, LEAST_HOLD_S - 1e-6, False)],
)
def test_what_is_lost_at_once_has_nothing_to_do_with_time(kept, lost_s, told):
    """Only bytes that came back right sooner say that it is a matter of time, and no cell leaks that fast."""
    part = ReadsPart(Options(), 1e-6, False)
    part._ages(np.full(kept, 10), np.zeros(kept, np.bool_))
    assert part.holds_s() is None
    part._ages(np.array([round(lost_s * 1e6)]), np.array([True]))
    assert (part.holds_s() == pytest.approx(lost_s)) if told else part.holds_s() is None
    part._ages(np.array([5]), np.array([True]))
    assert part.holds_s() is None


def test_a_bit_that_is_dead_tells_no_time(tmp_path):
    dead = captured(tmp_path / "b.vcd", faults=[fault("ram-bit-dead", bit=3, level="low")])
    (point,) = judge_case(add_capture(new_case(tmp_path / "case", symptom="garbage"), dead)).trend.points
    assert point.wrong_reads[1] and point.holds_ms is None
