"""The page of a diagnosis: whole in itself, everything escaped, small, and readable without scripts."""

from __future__ import annotations

import argparse
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from conftest import ROOT
from strobewise.bus.lines import PIN_TO_LINE
from strobewise.bus.model import MachineCycle
from strobewise.compare.comparison import compare
from strobewise.cycles.table import CycleTable
from strobewise.diagnosis.facade import diagnose
from strobewise.errors import UsageError
from strobewise.machine import GENERIC, GENERIC_PAGING, LINE_SETS, Scenario, fault, simulate
from strobewise.profile.machine import load_profile
from strobewise.profile.options import Options
from strobewise_cli.commands import diagnose as command
from strobewise_cli.named_files import settle_files
from strobewise_cli.render import compare_html
from strobewise_cli.render.html_charts import clock_stability, cycle_mix, failures, memory_map, timeline
from strobewise_cli.render.html_data import WINDOW_EVENTS_MAX, Course, collect_all
from strobewise_cli.render.html_report import asset, render_page
from strobewise_cli.render.html_viewer import instructions, viewer
from strobewise_cli.render.pinout import chips_to_look_at, coverage, pin_name, pinout, pins_in, pins_to_measure

VOID = {"meta", "link", "br", "rect", "path", "circle", "line", "img", "input", "hr"}


class Page(HTMLParser):
    """Collects what the tests ask of a page, and that its elements are closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.outside: list[str] = []
        self.texts: list[str] = []
        self.scripts: dict[str, str] = {}
        self._script = ""
        self.feed(text)
        assert not self.open

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        if tag not in VOID:
            self.open.append(tag)
        if "id" in values:
            self.ids.append(values["id"])
        if tag == "a":
            self.links.append(values["href"])
        self.outside += [values[name] for name in ("src", "srcset", "action", "data-src") if name in values]
        if tag == "link":
            self.outside.append(values["href"])
        if tag == "script":
            self._script = values.get("type", "text/javascript") + ":" + values.get("id", "")

    def handle_startendtag(self, tag, attrs):
        if "id" in dict(attrs):
            self.ids.append(dict(attrs)["id"])

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open and self.open.pop() == tag, tag

    def handle_data(self, data):
        if self.open and self.open[-1] == "script":
            self.scripts[self._script] = self.scripts.get(self._script, "") + data
        elif not self.open or self.open[-1] != "style":
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def write(folder, name="capture", **changes):
    path = folder / f"{name}.vcd"
    with path.open("w") as file:
        simulate(**{"lines": "full", "duration_s": 0.002, **changes}).write_vcd(file)
    return path


@pytest.fixture(scope="module")
def dead(tmp_path_factory):
    path = write(tmp_path_factory.mktemp("page"), faults=[fault("dead-low", line="M1")])
    return diagnose([path])


@pytest.fixture(scope="module")
def page(dead):
    return render_page(dead, Options())


def test_the_page_is_whole_and_needs_nothing_else(page):
    parsed = Page(page)
    assert parsed.outside == []
    assert all(link.startswith("#") and link[1:] in parsed.ids for link in parsed.links)
    assert len(parsed.ids) == len(set(parsed.ids))
    assert "default-src 'none'" in page
    assert not re.search(r"""url\(\s*['"]?http|@import""", page)


def test_the_page_says_what_the_diagnosis_says(page, dead):
    text = Page(page).text
    assert "FAULT." in text and dead.verdict.headline in text
    for finding in dead.findings:
        assert finding.evidence[1:] in text
    for step in dead.verdict.steps:
        assert text.count(step.text[1:]) == 1 and step.caution in text and f"Power {step.power}" in text
    assert "marked: pin 27 (/M1)" in text and "stuck low" in text
    assert "Memory map" in text and "Clock period over time" in text and "Machine cycles over time" in text


def test_without_scripts_each_finding_has_its_moment_in_characters(page):
    drawings = re.findall(r"<pre[^>]*>(.*?)</pre>", page, re.DOTALL)
    assert len(drawings) == 1
    assert "|fetch" in drawings[0] and "/M1     ______" in drawings[0]


def test_the_waveform_holds_windows_only(page):
    data = json.loads(Page(page).scripts["application/json:data"])
    assert [window["key"] for window in data["windows"]] == ["finding-0", "start", "middle"]
    assert all(0 <= window["start"] < window["end"] for window in data["windows"])
    assert len(page) < 1_000_000


def test_a_long_capture_gives_a_small_page_too(tmp_path):
    path = write(tmp_path, duration_s=0.03, lines="full")
    assert len(render_page(diagnose([path]), Options())) < 1_000_000


@pytest.mark.parametrize("lines", ["eight", "two", "control"])
def test_few_lines_give_a_page_too(tmp_path, lines):
    Page(render_page(diagnose([write(tmp_path, lines=lines)]), Options()))


def test_an_empty_machine_gives_a_page_too(tmp_path):
    Page(render_page(diagnose([write(tmp_path, faults=[fault("reset-held")])]), Options()))
    still = tmp_path / "still.vcd"
    still.write_text("$timescale 1 ns $end $var wire 1 ! M1 $end $var wire 1 \" MREQ $end $enddefinitions $end\n#0 1! 1\"\n#5000\n")
    Page(render_page(diagnose([still]), Options()))


def test_names_from_the_capture_are_escaped(tmp_path):
    evil = "</script><script>alert(1)</script><b>&"
    source = write(tmp_path, lines="eight").read_text()
    source = source.replace("$enddefinitions", f"$var wire 1 zz {evil} $end\n$enddefinitions")
    path = tmp_path / "evil<img src=x>.vcd"
    path.write_text(source)
    text = render_page(diagnose([path]), Options())
    parsed = Page(text)
    assert evil in parsed.text and parsed.outside == []
    assert "alert(1)" not in "".join(parsed.scripts.values())
    assert "<img" not in text and text.count("<script") == 4


def test_no_control_character_reaches_a_page(dead):
    said = replace(dead, verdict=dead.verdict._replace(headline="chip U6\x1b[31m\x9b red"))
    page = render_page(said, Options())
    assert "hip U6\\x1b[31m\\x9b red" in page
    body = page.partition("<body>")[2].partition('<script id="data"')[0]
    assert len(body) > 5000 and not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]", body)


def test_a_path_that_would_end_the_data_does_not(tmp_path):
    path = write(tmp_path, name="a'\"&b", lines="two")
    json.loads(Page(render_page(diagnose([path]), Options())).scripts["application/json:data"])


def test_the_traces_are_the_capture(dead):
    data = collect_all(dead, Options())
    window = viewer(data)["windows"][0]
    assert window["lines"] == ["M1"]
    assert window["traces"]["M1"] == [window["start"], 0]
    clk = window["traces"]["CLK"]
    times, levels = clk[0::2], clk[1::2]
    assert times == sorted(set(times)) and times[0] == window["start"]
    assert all(a != b for a, b in pairwise(levels)) and len(levels) > 300
    starts = [cycle[0] for cycle in window["cycles"]]
    assert starts == sorted(starts) and all(cycle[2] == 0 or cycle[3] is not None for cycle in window["cycles"])


def test_every_trace_begins_with_its_window(page):
    for window in json.loads(Page(page).scripts["application/json:data"])["windows"]:
        assert {trace[0] for trace in window["traces"].values()} == {window["start"]}


def test_a_path_in_the_data_cannot_end_the_script(tmp_path):
    paths = [write(tmp_path, "<!--<script>evil", lines="two"), write(tmp_path, "other", lines="two")]
    parsed = Page(render_page(diagnose(paths), Options()))
    data = json.loads(parsed.scripts["application/json:data"])
    assert any("<!--<script>evil" in window["title"] for window in data["windows"])


def test_a_window_that_is_full_ends_early(tmp_path, monkeypatch):
    import strobewise_cli.render.html_data as module

    monkeypatch.setattr(module, "WINDOW_EVENTS_MAX", 50)
    diagnosis = diagnose([write(tmp_path)])
    (data,) = collect_all(diagnosis, Options())
    for window in data.windows:
        assert len(window.times) == 50 and window.end == window.times[-1]
        assert not len(window.cycles) or window.cycles.start.max() <= window.end
    assert WINDOW_EVENTS_MAX > 1000


def cycles(*rows):
    return CycleTable.from_rows(
        MachineCycle(kind, n * 10, n * 10 + 10, 4, 0, address, data, False, note)
        for n, (kind, address, data, note) in enumerate(rows)
    )


def test_instructions_under_the_cycles():
    fetch, read = "opcode_fetch", "memory_read"
    table = cycles(
        (read, 0x10, 0x55, ""), (fetch, 0x20, 0x3E, ""), (read, 0x21, 0x07, ""), (fetch, 0x22, 0xCB, ""), (fetch, 0x23, 0x00, ""),
        (fetch, 0x24, 0x7E, ""), (read, 0x4000, 0x3E, ""), (fetch, 0x25, 0x76, ""), (fetch, 0x26, 0x00, "halt"),
    )  # fmt: skip
    assert instructions(table) == [
        (10, 30, "LD A,0x07"), (30, 50, "RLC B"), (50, 70, "LD A,(HL)"), (70, 80, "HALT"), (80, 90, "halted"),
    ]  # fmt: skip
    assert instructions(cycles((fetch, None, 0x3E, ""))) == []
    table = cycles((fetch, 0x20, 0x3E, ""), ("memory_write", 0x4000, 0x99, ""), (read, 0x21, 0x07, ""))
    assert [text for _, _, text in instructions(table)] == ["LD A,0x07"]  # what is written is no operand


def test_charts_count_right():
    course = Course([0.0, 0.5, 1.0], [[3, 0, 0, 0, 0, 0, 0, 0, 0], [1, 2, 0, 0, 0, 0, 0, 0, 0]], [None, (0.9, 1.0, 1.2)],
                    {"INT": [0.0, 1.0, 0.02, 0.0], "NMI": [0.0] * 4}, {"acknowledge": [True, False, False, True]})  # fmt: skip
    mix = cycle_mix(course)
    assert mix is not None and mix.legend == (("opcode_fetch", "opcode fetch (4)"), ("memory_read", "memory read (2)"))
    assert sum(rect.height for rect in mix.rects) == pytest.approx(2 * mix.rects[0].height, abs=0.5)
    clock = clock_stability(course)
    assert clock is not None and len(clock.rects) == 1
    line = timeline(course, [("lodger trigger", [0.6])])
    assert line is not None and line.summary == (
        "/INT: 1 stretch, 25.5 % of the time; acknowledge: 2 stretches; lodger trigger: 1 stretch"
    )
    full, brief = (rect for rect in line.rects if rect.kind == "held")
    assert full.height == 5 * brief.height > 0  # the height is the share of the time, but never too low to see
    assert "one sample is 41.7 ns" in clock_stability(course, 1 / 24e6).summary
    assert memory_map(None) is None and cycle_mix(Course([0, 1], [[0] * 9], [None], {}, {})) is None


def test_a_line_that_is_held_on_and_on_is_one_bar_for_as_long_as_it_is_held():
    """Shares of the time that look alike are one bar, and it says how long the line was active in it."""
    course = Course([0.0, 0.5, 1.0], [[0] * 9] * 2, [None] * 2, {"WAIT": [0.0, 1.0, 1.0, 1.0, 0.5, 0.5, 0.0, 1.0]}, {})
    bars = [rect for rect in timeline(course, []).rects if rect.kind == "held"]
    column = bars[-1].width
    assert [round(bar.width / column) for bar in bars] == [3, 2, 1] and bars[0].height == 2 * bars[1].height == bars[2].height
    assert [bar.title for bar in bars] == ["/WAIT: 375 ms", "/WAIT: 125 ms", "/WAIT: 125 ms"]


def test_the_memory_map_knows_what_was_written(tmp_path):
    diagnosis = diagnose([write(tmp_path, faults=[fault("ram-bit-dead", bit=2)], duration_s=0.003)])
    chart = memory_map(diagnosis.evidence.memory)
    assert chart is not None and len(chart.rects) == 256
    rom, bad = chart.rects[0], [rect for rect in chart.rects if rect.kind == "map-mismatched"]
    assert rom.kind == "map-fetched" and "F" in rom.text and bad and all("!" in rect.text for rect in bad)


def test_the_timeline_counts_how_long_a_line_was_active(tmp_path):
    path = tmp_path / "held.vcd"
    changes = [f"#{n * 1000} 1!\n#{n * 1000 + 750} 0!" for n in range(1, 100)]
    head = "$timescale 1 ns $end $var wire 1 ! INT $end $var wire 1 \" MREQ $end $enddefinitions $end\n#0 0! 1\"\n"
    path.write_text(head + "\n".join(changes) + "\n#100000\n")  # /INT low for the first 1000 ns, then for 250 of each 1000
    (data,) = collect_all(diagnose([path]), Options())
    shares = data.course.held["INT"]
    assert len(shares) == 480 and sum(shares) / 480 == pytest.approx((1000 + 99 * 250) / 100_000, abs=1e-9)
    assert shares[0] == pytest.approx(1.0) and min(shares) == 0.0 and max(shares) == pytest.approx(1.0)


def test_text_on_the_fills_stands_out_in_both_schemes():
    """WCAG 2, minimum contrast, for every colour that carries text; the white text stands on fetches alone."""
    css = asset("page.css")
    light = dict(re.findall(r"--([\w-]+): (#\w{6})", css.split("@media (prefers-color-scheme: dark)")[0]))
    dark = {**light, **dict(re.findall(r"--([\w-]+): (#\w{6})", css.split("@media (prefers-color-scheme: dark)")[1].split("\n}\n")[0]))}
    fills = ("fetch", "read", "write", "io-read", "io-write", "answer", "granted", "other")
    for scheme in (light, dark):
        for name in fills:
            assert contrast(scheme[name], "#ffffff" if name == "fetch" else "#000000") >= 4.5, name
            assert name == "granted" or contrast(scheme[name], scheme["ground"]) >= 1.9, name  # a shape with a text or a legend beside it
        for ink in ("ink", "faint", "link", "bad", "good", "unsure"):
            assert contrast(scheme[ink], scheme["ground"]) >= 4.5, ink


def contrast(one, other):
    """Return the contrast of two colours. Source: WCAG 2, contrast ratio and relative luminance."""

    def luminance(colour):
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_paging_shows_in_the_timeline(tmp_path):
    from dataclasses import replace

    machine = replace(GENERIC, interrupt_period_t_states=None, paging=(GENERIC_PAGING,))
    path = write(tmp_path, machine=machine, lines=LINE_SETS["full_port"], duration_s=0.004)
    options = Options(profile=machine)
    text = Page(render_page(diagnose([path], options), options)).text
    assert "lodger trigger" in text and "ROMDIS" in text


def test_the_package_names_every_pin_once():
    drawing = pinout([27])
    assert sorted(pin.number for pin in drawing.pins) == list(range(1, 41))
    assert [pin.name for pin in drawing.marked] == ["/M1"]
    left = [pin for pin in drawing.pins if pin.left]
    assert [pin.number for pin in sorted(left, key=lambda pin: pin.y)] == list(range(1, 21))
    right = [pin for pin in drawing.pins if not pin.left]
    assert [pin.number for pin in sorted(right, key=lambda pin: pin.y)] == list(range(40, 20, -1))
    # UM0080, pin figure: the corners and the supply.
    assert [pin_name(n) for n in (1, 20, 21, 40, 11, 29)] == ["A11", "/IORQ", "/RD", "A10", "+5 V", "GND"]
    assert all(pin_name(n).lstrip("/") == name for n, name in PIN_TO_LINE.items())


def test_a_bad_ram_marks_its_chip_and_no_pin_of_the_cpu(tmp_path):
    profile = load_profile(str(ROOT / "traces" / "machines" / "dunlin.toml"))
    capture = ROOT / "traces" / "faults" / "ram-bit-dead" / "ram-bit.vcd.gz"
    said = diagnose([capture], Options(profile=profile))
    assert chips_to_look_at(said) == ["U16"] and pins_to_measure(said) == set()
    assert coverage(said)[9] == "good"  # D5 itself: the line is good
    assert "<li><span aria-hidden=\"true\">▸ </span>U16</li>" in render_page(said, Options(profile=profile))


def test_what_was_not_clipped_is_not_judged(tmp_path):
    seen = coverage(diagnose([write(tmp_path, lines="two", faults=[fault("dead-low", line="M1")])]))
    assert (seen[27], seen[19], seen[6]) == ("bad", "good", "open")
    drawing = pinout([27], seen)
    assert [(pin.sign, pin.seen) for pin in drawing.pins if pin.number in (11, 19, 27, 6)] == [
        ("?", "open"), ("", "supply"), ("\N{CHECK MARK}", "good"), ("\N{MULTIPLICATION X}", "bad"),
    ]  # fmt: skip


def test_failures_are_charted_where_they_fall():
    course = Course([n / 10 for n in range(11)], [[5, 0]] * 10, [None] * 10, {}, {}, [0] * 8 + [2, 3])
    chart = failures(course)
    assert chart is not None and len(chart.rects) == 2 and chart.rects[0].x > 0.75 * chart.width
    assert chart.summary == "5 of 50 machine cycles lacked their own strobe or fitted none, between 800 ms and 1 s"
    assert failures(replace(course, failed=[])) is None


def test_pins_in_sentences(dead):
    assert pins_in(["scope /M1 (pin 27)", "pins 36 and 37", "(pin 11: +5 V, pin 29: ground)", "pin 99"]) == {27, 36, 37, 11, 29}
    assert pins_to_measure(dead) == {27}


def call(*arguments):
    parser = argparse.ArgumentParser()
    command.add_parser(parser.add_subparsers())
    args = parser.parse_args(["diagnose", *map(str, arguments)])
    settle_files(args)
    return args.run(args)


def test_the_command_writes_the_page_and_still_reports(tmp_path, capsys):
    path = write(tmp_path, faults=[fault("dead-high", line="RFSH")])
    assert call(path, "--html", tmp_path / "out.html") == 1
    assert "FAULT" in capsys.readouterr().out
    assert (tmp_path / "out.html").read_text().startswith("<!doctype html>")
    with pytest.raises(UsageError, match=r"^a page needs to read the capture twice \(--html\): write the capture to a file first$"):
        call("-", "--html", tmp_path / "out.html")
    with pytest.raises(UsageError, match="the output would replace the input"):
        call(path, "--html", path)



def test_several_captures_share_one_page(tmp_path):
    broken = [fault("dead-high", line="RFSH")]
    clips = (("one", ("MREQ", "M1")), ("two", ("MREQ", "RFSH", "CLK")))
    paths = [write(tmp_path, name, lines=lines, faults=broken) for name, lines in clips]
    diagnosis = diagnose(paths)
    text = render_page(diagnosis, Options())
    data = json.loads(Page(text).scripts["application/json:data"])
    assert [[row["name"] for row in source["rows"]] for source in data["sources"]] == [["M1", "MREQ"], ["CLK", "MREQ", "RFSH"]]
    shown = next(window for window in data["windows"] if window["key"] == "finding-0")
    assert shown["source"] == 1 and shown["lines"] == ["RFSH"]
    assert {"start", "start-2", "middle", "middle-2"} <= {window["key"] for window in data["windows"]}
    assert len({window["key"] for window in data["windows"]}) == len(data["windows"])


def test_a_comparison_warns_before_each_step_and_asks_nothing_of_what_is_gone(tmp_path):
    dead = write(tmp_path, "dead", faults=[fault("dead-low", line="M1")])
    other = write(tmp_path, "other", faults=[fault("dead-low", line="RFSH")])
    comparison = compare(str(dead), str(other))
    page = Page(compare_html.render_page(comparison, Options())).text
    gone, new = comparison.gone[0], comparison.new[0]
    assert gone.lines == ("M1",) and new.lines == ("RFSH",)
    assert gone.next_step[1:] not in page and new.next_step[1:] in page
    assert page.index(new.caution) < page.index(new.next_step[1:])
    assert str(tmp_path) not in page


def test_the_page_shows_where_a_machine_leaves_its_program(tmp_path):
    path = write(tmp_path, lines=("M1", "MREQ", "RESET"), duration_s=0.0006, faults=[fault("shorted", lines=["D5", "D6"])])
    options = Options(roms=(("patrol.rom", 0, Scenario().demo("patrol")),), clock_hz=3_276_800)
    diagnosis = diagnose([path], options)
    strip = diagnosis.evidence.replay.strip
    assert strip.first + strip.differs in (diagnosis.evidence.replay.healthy_matched - 1, diagnosis.evidence.replay.healthy_matched)
    at = strip.differs
    assert strip.captured[:at] and strip.captured[at][:2] != strip.due[at][:2] == ("memory_read", 3) != strip.fault[at][:2]
    page = Page(render_page(diagnosis, options)).text
    assert "The program, cycle by cycle" in page and "due by the program" in page and "with D5 and D6 shorted" in page
    assert "The program, cycle by cycle" not in render_page(diagnose([write(tmp_path, "well")], options), options)
