"""``strobewise demo``: what it lists is there, what it copies is the same, and nothing of the user's is replaced."""

from __future__ import annotations

import csv

from conftest import ROOT, TRACES, run_strobewise

NAMES = [row["file"] for row in csv.DictReader((TRACES / "sources.csv").read_text(encoding="utf-8").splitlines())]


def test_every_capture_is_listed_with_what_it_holds():
    lines = run_strobewise("demo").stdout.decode().splitlines()
    for name in NAMES:
        (line,) = (line for line in lines if line.split()[:1] == [name])
        assert len(line.split()) > 3


def test_the_folder_is_named():
    assert run_strobewise("demo", "--path").stdout.decode().strip() == str(ROOT / "traces")


def test_a_copy_holds_captures_machines_and_scenarios(tmp_path):
    done = run_strobewise("demo", "copy", str(tmp_path / "new" / "traces"))
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(b"%d files copied to " % sum(1 for path in (tmp_path / "new" / "traces").rglob("*") if path.is_file()))
    for path in [*(TRACES / "machines").iterdir(), *(TRACES / "scenarios").iterdir(), *(TRACES / name for name in NAMES)]:
        assert (tmp_path / "new" / "traces" / path.relative_to(TRACES)).read_bytes() == path.read_bytes()


def test_a_second_copy_adds_what_is_missing(tmp_path):
    run_strobewise("demo", "copy", str(tmp_path))
    (tmp_path / NAMES[0]).unlink()
    done = run_strobewise("demo", "copy", str(tmp_path))
    assert done.returncode == 0 and done.stdout.startswith(b"1 files copied")
    assert (tmp_path / NAMES[0]).read_bytes() == (TRACES / NAMES[0]).read_bytes()


def test_a_file_of_the_users_own_stays_and_nothing_is_copied(tmp_path):
    mine = tmp_path / "machines" / "dunlin.toml"
    mine.parent.mkdir()
    mine.write_text("mine")
    done = run_strobewise("demo", "copy", str(tmp_path))
    assert done.returncode == 2
    assert done.stderr.decode() == (
        f"strobewise: error: another file of this name is there ({mine}): name another folder, or move the file\n"
    )
    assert mine.read_text() == "mine" and not (tmp_path / "good").exists()


def test_a_folder_that_cannot_be_is_refused_in_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    for arguments in (("copy", str(tmp_path / "file")), ("copy",)):
        done = run_strobewise("demo", *arguments)
        assert done.returncode == 2 and done.stderr.startswith(b"strobewise: error: ") and done.stderr.count(b"\n") == 1
