"""Surveys of many captures: what is found, what is kept, what happens when things go wrong."""

from __future__ import annotations

import gzip
import json
import os
import shutil

import pytest

import strobewise.archive.folder as archive_folder
from conftest import ROOT, TRACES, require_component
from session_files import session_bytes
from strobewise.archive import processes as processes_module
from strobewise.archive.columns import CAPTURES, TABLES
from strobewise.archive.folder import Journal, find_captures, fingerprint
from strobewise.archive.processes import run_processes
from strobewise.archive.record import Record, Task, examine_task
from strobewise.archive.run import survey_folder
from strobewise.archive.split import NotSplittable, _starts
from strobewise.errors import ComponentMissing, UsageError
from strobewise.profile.options import Options
from strobewise_cli.render.survey_text import render_json

GOOD = TRACES / "good" / "healthy-full.vcd.gz"
BAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd"


@pytest.fixture
def folder(tmp_path):
    """Three captures, one of them broken, one in a folder of its own."""
    top = tmp_path / "captures"
    (top / "deep" / "er").mkdir(parents=True)
    shutil.copy(GOOD, top / "good.vcd.gz")
    shutil.copy(BAD, top / "deep" / "er" / "bad.vcd")
    (top / "broken.vcd").write_text("no capture")
    (top / "notes.txt").write_text("not a capture either")
    (top / ".hidden.vcd").write_text("nor this")
    return top


def components():
    try:
        import duckdb
        import pyarrow

        found = (duckdb, pyarrow)
    except ModuleNotFoundError:
        found = None
    require_component("duckdb and pyarrow", found, 'pip install "strobewise[archive]"')
    return found[0]


# --- finding and examining --------------------------------------------------------------------------------------------


def test_captures_are_found_in_order_and_nothing_else(folder):
    tasks = find_captures(str(folder))
    assert [task.path for task in tasks] == ["broken.vcd", "deep/er/bad.vcd", "good.vcd.gz"]
    assert os.path.samefile(tasks[1].file, folder / "deep" / "er" / "bad.vcd") and tasks[1].size == BAD.stat().st_size


def test_a_packed_session_is_one_of_them(tmp_path):
    (tmp_path / "a.sr.gz").write_bytes(gzip.compress(session_bytes()))
    (record,) = survey_folder(str(tmp_path), Options()).records
    assert (record.capture["path"], record.capture["status"]) == ("a.sr.gz", "examined")


def test_links_do_not_lead_round_in_circles(folder):
    (folder / "deep" / "loop").symlink_to(folder)
    (folder / "nowhere.vcd").symlink_to(folder / "gone.vcd")
    assert len(find_captures(str(folder))) == 3


@pytest.mark.parametrize(("name", "message"), [("gone", "no such folder"), ("notes.txt", "this is a file")])
def test_no_folder(folder, name, message):
    with pytest.raises(UsageError, match=message):
        find_captures(str(folder / name))


def test_every_record_has_every_column(folder):
    records = [examine_task(task, Options()) for task in find_captures(str(folder))]
    for record in records:
        assert list(record.capture) == [column.name for column in CAPTURES]
        for column in CAPTURES:
            assert not column.required or record.capture[column.name] is not None
        json.dumps(record.capture)  # plain data
    broken, bad, good = records
    assert (broken.capture["status"], broken.capture["state"], broken.findings, broken.lines) == ("unreadable", None, [], [])
    assert "broken.vcd" in broken.capture["error"]
    assert (bad.capture["state"], bad.capture["suspect"], bad.capture["first_fault"]) == ("fault", "cpu", "fetch-strobe-missing")
    assert (good.capture["state"], good.capture["opcode_fetch"], good.capture["lines_captured"]) == ("no_fault_found", 807, 38)
    assert 0 < good.capture["m1_rise_ns"] < 200 and good.capture["timing_known_to_ns"] == pytest.approx(41.7, abs=0.2)
    assert {row["line"] for row in bad.lines} == {"M1", "MREQ"}


def test_a_bug_of_ours_in_one_capture_does_not_end_the_survey(folder, monkeypatch):
    monkeypatch.setattr("strobewise.archive.record.observe", lambda *_, **__: 1 / 0)
    record = examine_task(find_captures(str(folder))[0], Options())
    assert record.capture["error"] == "ZeroDivisionError: division by zero (broken.vcd): please report it"


# --- processes --------------------------------------------------------------------------------------------------------


def dies_on_bad(task: Task, options: Options) -> Record:
    """Stand for a capture that takes its process down."""
    if task.path.endswith("bad.vcd"):
        os._exit(9)
    return Record({"path": task.path, "status": "examined"})


def test_processes_give_what_one_gives(folder):
    tasks = find_captures(str(folder))
    alone = {record.capture["path"]: record for record in run_processes(tasks, Options(), 1)}
    both = {record.capture["path"]: record for record in run_processes(tasks, Options(), 2)}
    assert alone == both and len(both) == 3


def test_a_process_that_dies_costs_its_own_capture_alone(folder):
    for number in range(4):
        shutil.copy(folder / "broken.vcd", folder / f"other-{number}.vcd")
    tasks = find_captures(str(folder))
    records = {record.capture["path"]: record.capture for record in run_processes(tasks, Options(), 2, dies_on_bad)}
    assert set(records) == {task.path for task in tasks}
    assert [path for path, row in records.items() if row["status"] != "examined"] == ["deep/er/bad.vcd"]
    assert "ended" in records["deep/er/bad.vcd"]["error"]


# --- journal ----------------------------------------------------------------------------------------------------------


def test_a_survey_goes_on_where_it_stopped(folder, tmp_path, monkeypatch):
    components()
    results = str(tmp_path / "results")
    seen = []

    def counted(task, options):
        seen.append(task.path)
        return examine_task(task, options)

    monkeypatch.setattr(processes_module.run_processes, "__defaults__", (counted,))
    first = survey_folder(str(folder), Options(), results)
    assert sorted(seen) == ["broken.vcd", "deep/er/bad.vcd", "good.vcd.gz"] and first.resumed == 0
    seen.clear()
    again = survey_folder(str(folder), Options(), results)
    assert seen == ["broken.vcd"] and again.resumed == 2  # what could not be read may have been mended
    assert again.records == first.records
    seen.clear()
    shutil.copy(GOOD, folder / "deep" / "new.vcd.gz")
    os.utime(folder / "good.vcd.gz", ns=(1, 1))
    os.unlink(folder / "broken.vcd")
    third = survey_folder(str(folder), Options(), results)
    assert sorted(seen) == ["deep/new.vcd.gz", "good.vcd.gz"] and len(third.records) == 3
    seen.clear()
    survey_folder(str(folder), Options(clock_hz=3e6), results)
    assert len(seen) == 3  # other options, other records
    seen.clear()
    survey_folder(str(folder), Options(clock_hz=3e6), results, again=True)
    assert len(seen) == 3


def test_a_journal_that_was_cut_off_keeps_what_is_whole(folder, tmp_path):
    tasks = find_captures(str(folder))
    path = str(tmp_path / "journal.jsonl")
    journal = Journal(path, Options())
    journal.begin([])
    for task in tasks:
        journal.add(examine_task(task, Options()))
    journal.close()
    whole = (tmp_path / "journal.jsonl").read_bytes()
    assert set(Journal(path, Options()).done(tasks)) == {"deep/er/bad.vcd", "good.vcd.gz"}
    (tmp_path / "journal.jsonl").write_bytes(whole[:-20])
    assert set(Journal(path, Options()).done(tasks)) == {"deep/er/bad.vcd"}
    (tmp_path / "journal.jsonl").write_bytes(b"\xff\x00 garbage\n[1]\n{}\n")
    assert Journal(path, Options()).done(tasks) == {}


def test_a_capture_of_which_very_much_is_said_is_not_examined_again(tmp_path):
    """Its line of the journal is as long as a thousand findings make it."""
    told = Record({"path": "a.vcd", "size_bytes": 1, "modified_ns": 2, "status": "examined"}, [{"evidence": "seen " * 50}] * 1000)
    journal = Journal(str(tmp_path / "journal.jsonl"), Options())
    journal.begin([told])
    journal.close()
    (found,) = Journal(str(tmp_path / "journal.jsonl"), Options()).done([Task(str(tmp_path), "a.vcd", 1, 2)]).values()
    assert len(found.findings) == 1000


@pytest.mark.parametrize("broken", [{"findings": 1}, {"lines": None}, {"capture": []}, {"fingerprint": "of another version"}])
def test_a_line_of_the_journal_that_is_no_record_is_passed_over(broken, folder, tmp_path):
    tasks = find_captures(folder)
    path = tmp_path / "journal.jsonl"
    journal = Journal(str(path), Options())
    journal.begin([])
    for task in tasks:
        journal.add(examine_task(task, Options()))
    journal.close()
    lines = [json.loads(line) for line in path.read_text(encoding="ascii").splitlines()]
    lines = [{**line, **broken} if line["capture"]["path"] == "good.vcd.gz" else line for line in lines]
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="ascii")
    assert set(Journal(str(path), Options()).done(tasks)) == {"deep/er/bad.vcd"}


def test_options_have_fingerprints():
    assert fingerprint(Options()) == fingerprint(Options())
    assert len({fingerprint(each) for each in (Options(), Options(maps=("M1=CH0",)), Options(roms=(("a", 0, b"x"),)))}) == 3


def test_a_record_without_a_column_of_now_is_made_anew(monkeypatch):
    now = fingerprint(Options())
    monkeypatch.setitem(archive_folder.TABLES, "captures", archive_folder.TABLES["captures"][:-1])
    assert fingerprint(Options()) != now


# --- results ----------------------------------------------------------------------------------------------------------


def test_the_tables_can_be_asked(folder, tmp_path):
    duckdb = components()
    survey_folder(str(folder), Options(), str(tmp_path / "results"))
    with duckdb.connect(str(tmp_path / "results" / "survey.duckdb"), read_only=True) as database:
        ask = lambda query: database.execute(query).fetchall()  # noqa: E731
        assert ask("SELECT path FROM captures WHERE m1_rise_ns > 10 AND m1_rise_ns < 200") == [("good.vcd.gz",)]
        assert ask("SELECT path FROM captures WHERE m1_rise_ns > 1000") == []
        assert ask("SELECT DISTINCT f.path FROM findings f JOIN captures USING (path) WHERE severity = 'fault'") == [("deep/er/bad.vcd",)]
        assert ask("SELECT state FROM lines WHERE path = 'deep/er/bad.vcd' AND line = 'M1'") == [("stuck_high",)]
        comments = dict(ask("SELECT table_name || '.' || column_name, comment FROM duckdb_columns() WHERE NOT internal"))
    assert comments == {f"{table}.{column.name}": column.meaning for table, columns in TABLES.items() for column in columns}
    import pyarrow.parquet as pq

    table = pq.read_table(tmp_path / "results" / "captures.parquet")
    assert table.column("path").to_pylist() == ["broken.vcd", "deep/er/bad.vcd", "good.vcd.gz"]
    assert table.schema.field("m1_rise_ns").metadata[b"meaning"].startswith(b"delay of the rise of /M1")


def test_an_empty_survey_and_hostile_names_are_stored(tmp_path):
    duckdb = components()
    top = tmp_path / "captures"
    top.mkdir()
    name = "a'; DROP TABLE captures; --\x1b[2J\udcff.vcd"
    (top / name).write_text("no capture")
    survey = survey_folder(str(top), Options(), str(tmp_path / "results"))
    assert len(survey.records) == 1
    with duckdb.connect(str(tmp_path / "results" / "survey.duckdb"), read_only=True) as database:
        assert database.execute("SELECT path FROM captures").fetchall() == [("a'; DROP TABLE captures; --\x1b[2J\\udcff.vcd",)]


def test_results_that_cannot_be_written_leave_the_old_ones(folder, tmp_path, monkeypatch):
    components()
    results = tmp_path / "results"
    survey_folder(str(folder), Options(), str(results))
    before = {path.name: path.read_bytes() for path in results.iterdir() if path.name != "journal.jsonl"}
    monkeypatch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(OSError, match="No space left"):
        survey_folder(str(folder), Options(), str(results))
    assert {path.name: path.read_bytes() for path in results.iterdir() if path.name in before} == before


def test_without_the_components_it_is_said_before_the_work(folder, tmp_path, monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(ComponentMissing) as caught:
        survey_folder(str(folder), Options(), str(tmp_path / "results"))
    assert str(caught.value) == 'the results need pyarrow and duckdb (-o): pip install "strobewise[archive]", or use --json'
    assert not (tmp_path / "results").exists()


def test_the_documentation_names_every_column():
    text = (ROOT / "docs" / "survey-tables.md").read_text(encoding="utf-8")
    for name, columns in TABLES.items():
        part = text.split(f"\n## {name}\n")[1].split("\n## ")[0]
        rows = [f"| `{c.name}` | {c.type}{'' if c.required else ', or null'} | {c.meaning} |" for c in columns]
        assert part.strip().splitlines()[2:] == rows


def test_json(folder):
    import jsonschema

    from strobewise_cli.schemas import load_schema

    document = json.loads(render_json(survey_folder(str(folder), Options())))
    schema = load_schema("survey")
    jsonschema.Draft202012Validator(schema).validate(document)
    assert document["totals"] == {"captures": 3, "no_fault_found": 1, "fault": 1, "cannot_decide": 0, "unreadable": 1}
    row = schema["properties"]["captures"]["items"]
    for made in document["captures"]:
        assert list(made) == list(row["properties"]) == row["required"]
    for name in ("findings", "lines"):
        properties = row["properties"][name]["items"]["properties"]
        assert list(properties) == [column.name for column in TABLES[name] if column.name != "path"]
        assert all(list(each) == list(properties) for made in document["captures"] for each in made[name])


def test_a_capture_is_cut_at_lines_with_a_time():
    """From two pieces on; a rest of less than half a piece stays with the one before it."""
    text = b"head\n" + b"".join(b"#%03d\n0!\n" % number for number in range(100))  # eight bytes each
    assert _starts(text, 5, 300) == [5, 309, 613]
    assert _starts(text, 5, 500) == [5, 509]
    for whole in (600, 805, 5000):
        with pytest.raises(NotSplittable):
            _starts(text, 5, whole)
