"""Names whose bytes are no UTF-8 text, and text that a library would read otherwise: every writer copes, and says so where it cannot."""

from __future__ import annotations

import json
import os
import shutil
import tomllib
from xml.etree import ElementTree

import pytest

from conftest import TRACES, run_strobewise
from strobewise.archive.folder import JOURNAL
from strobewise.archive.run import survey_folder
from strobewise.capture.channels.beside import map_text
from strobewise.case.store import new_case
from strobewise.errors import UsageError
from strobewise.profile.options import Options
from strobewise_cli.main import main

GOOD = TRACES / "good" / "healthy-two.vcd"
FAULTY = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
NO_TEXT = os.fsdecode(b"od\xff")  #: how Python holds a name whose byte FF is no UTF-8

pytestmark = pytest.mark.skipif(os.name == "nt", reason="names of files are text there")


@pytest.fixture
def folder(tmp_path):
    (tmp_path / NO_TEXT).mkdir()
    shutil.copy(GOOD, tmp_path / NO_TEXT / f"{NO_TEXT}.vcd")
    shutil.copy(FAULTY, tmp_path / NO_TEXT / f"{NO_TEXT}-bad.vcd.gz")
    return tmp_path


def sound_json(text):
    """Return what JSON says that holds no lone surrogate, not even as an escape: RFC 8259, 8.2."""
    document = json.loads(text)
    json.dumps(document, ensure_ascii=False).encode("utf-8")
    return document


JSON = [
    ("diagnose", "BAD", "--json", "out"), ("lines", "BAD", "--json", "out"), ("compare", "GOOD", "BAD", "--json", "out"),
    ("prove", "--before", "BAD", "--after", "GOOD", "--json", "out"), ("survey", ".", "--processes", "1", "--json", "out"),
    ("watch", "BAD", "--save", f"{NO_TEXT}-saved", "--log", "out"), ("cycles", "BAD", "--format", "jsonl", "-o", "out"),
    ("case", "show", "CASE", "--json", "out"), ("case", "next", "CASE", "--json", "out"),
]  # fmt: skip


@pytest.mark.parametrize("words", JSON, ids=lambda words: " ".join(words[:2]))
def test_json_holds_no_lone_surrogate(words, folder, monkeypatch):
    monkeypatch.chdir(folder)
    case = f"{NO_TEXT}/case"
    if "CASE" in words:
        assert main(["case", "new", case]) == 0
        main(["case", "add", case, f"{NO_TEXT}/{NO_TEXT}-bad.vcd.gz", "--note", NO_TEXT])
    known = {"GOOD": f"{NO_TEXT}/{NO_TEXT}.vcd", "BAD": f"{NO_TEXT}/{NO_TEXT}-bad.vcd.gz", "CASE": case}
    assert main([known.get(word, word) for word in words]) in (0, 1, 3)
    text = (folder / "out").read_bytes().decode("utf-8")
    documents = [sound_json(line) for line in text.splitlines()] if words[0] in ("watch", "cycles") else [sound_json(text)]
    assert documents and (words[0] != "survey" or "od\\udcff/od\\udcff.vcd" in [row["path"] for row in documents[0]["captures"]])


@pytest.mark.parametrize(
    ("words", "read"),
    [
        (("diagnose", "BAD", "--html", "out"), str), (("diagnose", "BAD", "--markdown", "out"), str),
        (("compare", "BAD", "BAD", "--html", "out"), str), (("verify", "BAD", "--expect", "X", "--junit", "out"), ElementTree.fromstring),
        (("learn", "GOOD", "-o", "out"), tomllib.loads), (("cycles", "BAD", "-o", "out"), str),
    ],
    ids=lambda words: " ".join(words) if isinstance(words, tuple) else words.__name__,
)  # fmt: skip
def test_other_files_are_utf_8(words, read, folder, monkeypatch):
    monkeypatch.chdir(folder)
    (folder / "X").write_text('version = 1\nverdict.state = "fault"\n')
    known = {"GOOD": f"{NO_TEXT}/{NO_TEXT}.vcd", "BAD": f"{NO_TEXT}/{NO_TEXT}-bad.vcd.gz"}
    assert main([known.get(word, word) for word in words]) in (0, 1)
    assert read((folder / "out").read_bytes().decode("utf-8"))


def test_a_journal_holds_none_either_and_is_gone_on_with(folder, monkeypatch):
    made = survey_folder(str(folder), Options(), str(folder / "results"))
    lines = (folder / "results" / JOURNAL).read_bytes().splitlines()
    assert [sound_json(line)["capture"]["path"] for line in lines] == ["od\\udcff/od\\udcff-bad.vcd.gz", "od\\udcff/od\\udcff.vcd"]
    again = survey_folder(str(folder), Options(), str(folder / "results"))
    assert again.resumed == 2 and again.records == made.records
    assert again.records[0].findings[0]["path"] == f"{NO_TEXT}/{NO_TEXT}-bad.vcd.gz"


@pytest.mark.parametrize("words", [("case", "new", "n", "--socketed", NO_TEXT), ("verify", f"{NO_TEXT}/{NO_TEXT}.vcd", "--record", "n")])
def test_toml_that_cannot_hold_a_name_is_not_written(words, folder):
    done = run_strobewise(*words, cwd=folder)
    assert done.returncode == 2 and b"TOML cannot hold it" in done.stderr and not (folder / "n" / "case.toml").exists()


@pytest.mark.parametrize("name", ["\U0001f600", "\x7f", 'a"b\\c', "\x1b[2J", "\u2028", "a\tb\nc"])
def test_a_map_holds_any_channel_that_is_text(name):
    assert tomllib.loads(map_text([("M1", name), (name, "x")]))["map"] == {"M1": name, name: "x"}


def test_a_map_of_a_channel_that_is_no_text_is_not_written(folder):
    new_case(folder / "case")
    done = run_strobewise("case", "add", "case", GOOD, "--map", f"M1={NO_TEXT}", cwd=folder)
    assert done.returncode == 2 and b"TOML cannot hold it" in done.stderr
    assert list((folder / "case" / "captures").iterdir()) == []


#: Names that a library takes for an address, a pattern or a database of its own.
ADDRESSES = ["s3:", "http:", "md:x", ":memory:", "r[1]", "r*", "~", "a%20b", "-x", "r;x", "it's"]


@pytest.mark.parametrize("name", ADDRESSES)
def test_results_go_into_the_very_folder_that_was_named(name, folder, monkeypatch):
    import duckdb

    monkeypatch.chdir(folder)
    survey_folder(NO_TEXT, Options(), name)
    assert (folder / name / "captures.parquet").is_file()
    with duckdb.connect(os.path.abspath(os.path.join(name, "survey.duckdb")), read_only=True) as database:
        assert database.execute("select count(*) from captures").fetchone() == (2,)


@pytest.mark.parametrize("name", [NO_TEXT, "a?b", "a\\b"])
def test_a_folder_in_which_duckdb_makes_no_file_is_refused_before_the_work(name, folder, monkeypatch):
    monkeypatch.chdir(folder)
    with pytest.raises(UsageError, match="DuckDB makes no file there"):
        survey_folder(".", Options(), f"results/{name}")
    assert not (folder / "results").exists()
