"""Cases in a survey: which capture is whose, how it is read, and the questions of the documentation asked of real tables."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from conftest import ROOT, TRACES, require_component
from strobewise.archive.cases import options_in_case
from strobewise.archive.run import survey_folder
from strobewise.capture import open_capture
from strobewise.capture.raw.form import parse_raw
from strobewise.case.records import Answer, Taken
from strobewise.case.state import case_options
from strobewise.case.store import add_answer, add_capture, close_case, new_case, open_case, withdraw
from strobewise.profile.machine import load_profile
from strobewise.profile.options import Options
from strobewise_cli.main import main

DEAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd"
GOOD = TRACES / "good" / "healthy-two.vcd"
QUESTIONS = re.findall(r"```sql\n(.*?)```", (ROOT / "docs" / "survey-tables.md").read_text(encoding="utf-8"), re.DOTALL)


@pytest.fixture
def shop(tmp_path):
    """Three repairs of two machines: a CPU after a ROM in vain, proven; a joint, closed on trust; one that is open."""
    top = tmp_path / "shop"
    one = add_capture(new_case(top / "2026" / "one", symptom="dead", machine="grey 17"), DEAD, minutes_on=1)
    one = add_answer(add_answer(one, Answer("pulses", "M1", 0)), Answer("replaced", "rom"))
    one = add_capture(add_answer(one, Answer("replaced", "cpu")), GOOD, minutes_on=20)
    one = withdraw(add_capture(one, DEAD, minutes_on=30), 6, "wrong machine")
    close_case(one, "cpu", "U1", proven=True, rules=("fetch-strobe-missing",))
    two = add_answer(new_case(top / "two", symptom="hangs", machine="grey 17"), Answer("resoldered", "M1"))
    close_case(two, "connection", "pin 27", proven=False)
    add_capture(new_case(top / "three", symptom="hangs", machine="white 4"), GOOD, note="cold")
    (top / "loose.vcd").write_bytes(GOOD.read_bytes())
    return top


def rows(survey):
    return {record.capture["path"]: record.capture for record in survey.records}


def test_each_capture_names_its_case_and_its_machine(shop):
    survey = survey_folder(str(shop), Options())
    found = rows(survey)
    last = found["2026/one/captures/6-m1-dead-two.vcd"]
    assert [last[name] for name in ("case_folder", "machine", "entry", "minutes_on", "withdrawn")] == [
        "2026/one", "grey 17", 6, 30.0, "wrong machine",
    ]  # fmt: skip
    loose = found["loose.vcd"]
    assert [loose[name] for name in ("case_folder", "machine", "profile", "entry", "withdrawn")] == [None] * 5
    one, three, two = survey.cases
    assert [one[name] for name in ("case_folder", "symptom", "was", "part", "proven", "captures", "answers", "repairs", "withdrawn")] == [
        "2026/one", "dead", "cpu", "U1", 1, 2, 1, "rom cpu", 1,
    ]  # fmt: skip
    assert (two["proven"], two["repairs"], two["captures"]) == (0, "connection", 0)
    assert (three["closed"], three["was"], three["proven"], three["error"]) == (None, None, None, None)


def test_the_folder_surveyed_may_be_the_case(shop):
    survey = survey_folder(str(shop / "three"), Options())
    (row,) = rows(survey).values()
    assert (row["path"], row["case_folder"], row["entry"], row["machine"]) == ("captures/1-healthy-two.vcd", ".", 1, "white 4")
    assert [each["case_folder"] for each in survey.cases] == ["."]


def test_a_case_lends_its_clock_and_its_profile_and_the_command_line_beats_them(shop, tmp_path):
    add_capture(new_case(shop / "four", TRACES / "machines" / "dunlin.toml", clock_hz=3.0e6), GOOD)
    found = rows(survey_folder(str(shop), Options()))
    four = found["four/captures/1-healthy-two.vcd"]
    assert four["clock_hz"] == pytest.approx(3.0e6) and four["profile"] == "Dunlin"
    assert found["loose.vcd"]["clock_hz"] != pytest.approx(3.0e6, rel=1e-3)
    beaten = rows(survey_folder(str(shop), Options(clock_hz=4e6)))
    assert [row["clock_hz"] for row in beaten.values()] == pytest.approx([4e6] * 6)


TAKEN = Taken("24M:M1=0", "no", stimulus=True, free_run=True)
GIVEN = Options(
    clock_hz=4e6, profile=load_profile(TRACES / "machines" / "dunlin-lodger.toml"), clocked="rising", raw=parse_raw("12M:M1=1"),
    stimulus=True, free_run=True,
)  # fmt: skip


@pytest.mark.parametrize("name", ["clock_hz", "profile", "clocked", "raw", "stimulus", "free_run"])
def test_each_thing_that_a_sheet_says_of_a_capture_holds_unless_the_command_line_says_it(shop, name):
    case = add_capture(new_case(shop / "four", TRACES / "machines" / "dunlin.toml", clock_hz=3.0e6), GOOD, taken=TAKEN)
    said, given, nothing = (getattr(options, name) for options in (case_options(case, TAKEN), GIVEN, Options()))
    assert said != nothing
    for folder, options, wanted in (
        ("four", Options(), said), ("four", GIVEN, given), ("three", GIVEN, given), ("three", Options(), nothing),
    ):  # fmt: skip
        read = options_in_case(str(shop), folder, f"{folder}/captures/1-healthy-two.vcd", options)
        assert getattr(read, name) == wanted


def test_a_sheet_that_cannot_be_read_is_told_and_stops_nothing(shop):
    (shop / "three" / "case.toml").write_text("version = 9\n")
    survey = survey_folder(str(shop), Options())
    bad = next(row for row in survey.cases if row["case_folder"] == "three")
    assert "version is 9" in bad["error"] and bad["symptom"] is None
    row = rows(survey)["three/captures/1-healthy-two.vcd"]
    assert (row["status"], row["case_folder"], row["machine"], row["entry"]) == ("examined", "three", None, None)


def archive():
    try:
        import duckdb
        import pyarrow  # noqa: F401  # is it there?
    except ModuleNotFoundError:
        duckdb = None
    require_component("duckdb and pyarrow", duckdb, 'pip install "strobewise[archive]"')
    return duckdb


def test_what_a_sheet_says_is_read_anew_and_only_another_reading_costs_a_second_look(shop, tmp_path):
    archive()
    results = str(tmp_path / "results")
    assert survey_folder(str(shop), Options(), results).resumed == 0
    close_case(open_case(shop / "three"), "glue", "U7", proven=True)
    survey = survey_folder(str(shop), Options(), results)
    assert survey.resumed == len(survey.records) == 5
    assert next(row for row in survey.cases if row["case_folder"] == "three")["was"] == "glue"
    sheet = shop / "three" / "case.toml"
    sheet.write_text(sheet.read_text().replace("leads = 8", "leads = 8\nclock_hz = 2.5e6"))
    survey = survey_folder(str(shop), Options(), results)
    assert survey.resumed == 4 and rows(survey)["three/captures/1-healthy-two.vcd"]["clock_hz"] == pytest.approx(2.5e6)
    for other in (Options(clocked="no"), Options(replay=False), Options(free_run=True), Options(stimulus=True)):
        assert survey_folder(str(shop), other, results).resumed == 0


def test_the_questions_of_the_documentation_have_answers(shop, tmp_path):
    duckdb = archive()
    survey_folder(str(shop), Options(), str(tmp_path / "results"))
    with duckdb.connect(str(tmp_path / "results" / "survey.duckdb"), read_only=True) as database:
        answers = [database.execute(question).fetchall() for question in QUESTIONS]
    late, fails, same, was, back, vain, first, long, course, warm, still_open = answers
    assert late == [] and fails == [("fetch-strobe-missing", 2)]
    assert sorted(paths for _, paths in same) == [
        ["2026/one/captures/1-m1-dead-two.vcd", "2026/one/captures/6-m1-dead-two.vcd"],
        ["2026/one/captures/5-healthy-two.vcd", "loose.vcd", "three/captures/1-healthy-two.vcd"],
    ]  # fmt: skip
    assert was == [("dead", "cpu", 1)] and back == [("grey 17", 2, ["cpu", "connection"])]
    assert vain == [("2026/one", "rom", "cpu")] and first == [("cpu", "cpu", 1)]
    assert [(part, cases) for part, cases, _ in long] == [("cpu", 1)] and 0 <= long[0][2] < 1
    assert [(case, entry) for case, entry, _, _ in warm] == [("2026/one", 1), ("2026/one", 5)]
    assert [row[:2] for row in course] == [("2026/one", 1), ("2026/one", 5)] and course[0][3] > 0.5 and course[1][3] == 0
    assert warm[0][3] > 0.5 and warm[1][3] == 0
    assert [row[:3] for row in still_open] == [("three", "white 4", "hangs")] and "fault" in still_open[0][3].lower()


# --- captures whose file does not say how they were taken ---------------------------------------------------------------


@pytest.fixture
def raw(tmp_path):
    """The dead machine as raw samples, and the words for them."""
    path = tmp_path / "boot.bin"
    assert main(["prepare", str(DEAD), "-o", str(path), "--as", "raw"]) == 0
    with open_capture(str(DEAD)) as capture:
        names = [channel.name for channel in capture.header.channels]
    return path, "24M:" + ",".join(f"{name.upper().lstrip('/')}={bit}" for bit, name in enumerate(names))


def test_a_case_keeps_how_raw_samples_are_read(tmp_path, raw, capsys):
    path, words = raw
    case = tmp_path / "shop" / "raw"
    new_case(case, symptom="dead")
    assert main(["case", "add", str(case), str(path), "--raw", words]) == 1
    (item,) = open_case(case).items
    assert item.taken == Taken(raw=words) and f'raw = "{words}"' in (case / "case.toml").read_text()
    assert main(["case", "show", str(case)]) == 1 and "raw samples" in capsys.readouterr().out
    assert main(["case", "report", str(case), "--markdown", str(tmp_path / "sheet.md")]) == 0
    survey = survey_folder(str(tmp_path / "shop"), Options())
    assert [(row["path"], row["first_fault"]) for row in rows(survey).values()] == [("raw/captures/1-boot.bin", "fetch-strobe-missing")]


def test_a_case_keeps_the_rest_of_what_a_capture_does_not_say(tmp_path):
    case = tmp_path / "case"
    new_case(case, symptom="dead")
    main(["case", "add", str(case), str(GOOD), "--clocked", "no", "--free-run"])
    (item,) = open_case(case).items
    assert item.taken == Taken(clocked="no", free_run=True)


@pytest.mark.parametrize(
    ("line", "message"),
    [('raw = "24M"', "names no sample rate and channels|raw is '24M'"), ('clocked = "sideways"', "clocked is 'sideways'"),
     ("free_run = 3", "free_run is 3")],
)  # fmt: skip
def test_a_sheet_that_says_nonsense_of_a_capture_is_refused(tmp_path, line, message):
    from strobewise.case.sheet import CaseError

    case = add_capture(new_case(tmp_path / "case"), GOOD)
    sheet = case.folder / "case.toml"
    sheet.write_text(sheet.read_text().replace('file = "', f'{line}\nfile = "'))
    with pytest.raises(CaseError, match=message):
        open_case(case.folder)


def test_an_answer_has_no_word_of_how_it_was_taken(tmp_path):
    case = add_answer(new_case(tmp_path / "case"), Answer("supply", "", 5.0))
    assert open_case(case.folder) == replace(case)
    sheet = case.folder / "case.toml"
    sheet.write_text(sheet.read_text() + 'clocked = "no"\n')
    with pytest.raises(Exception, match="unknown key 'clocked'"):
        open_case(case.folder)


def test_a_capture_from_the_host_needs_no_word_of_its_samples(tmp_path, capsys):
    new_case(tmp_path / "case")
    for arguments in (["case", "add", str(tmp_path / "case"), "--from", "demo", "--clocked", "no"],
                      ["capture", "-o", str(tmp_path / "x.vcd"), "--raw", "24M:M1=0"]):  # fmt: skip
        assert main(arguments) == 2
        assert "leave it out" in capsys.readouterr().err
