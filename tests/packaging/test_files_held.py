"""Every command that writes files, on a system that lets nobody replace or remove a file which is open."""

from __future__ import annotations

import contextlib
import io

import pytest
from test_portable import without

import stand_in_host
from strobewise.files.writing import LOCK_FILE
from strobewise.machine import LINE_SETS, simulate
from writers import FAULTY, OLD, WRITERS, leftovers

each_writer = pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.name)


@pytest.fixture
def there(writer, tmp_path):
    for name in writer.files:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(writer.before(name))
    return tmp_path


@each_writer
def test_files_are_written_there(writer, there):
    done = without(writer.arguments, cwd=there)
    assert done.returncode in (0, 1) and b"Traceback" not in done.stderr, done.stderr.decode()
    assert [name for name in writer.files if (there / name).read_bytes() == writer.before(name)] == []
    assert set(leftovers(there)) <= {LOCK_FILE}


@each_writer
def test_a_file_that_another_program_holds_stays_as_it_is(writer, there):
    with contextlib.ExitStack() as held:
        for name in writer.files:
            held.enter_context((there / name).open("rb"))
        done = without(writer.arguments, cwd=there)
    *notes, text = done.stderr.decode().splitlines()
    assert done.returncode == 2 and text.startswith("strobewise: error: "), done.stderr.decode()
    assert [line for line in notes if not line.startswith("strobewise: note: ")] == []
    assert "no other program has it open" in text and any(name in text for name in writer.files), text
    assert [name for name in writer.files if (there / name).read_bytes() != writer.before(name)] == []
    assert set(leftovers(there)) <= {LOCK_FILE}


def test_a_capture_that_another_program_holds_keeps_its_map(tmp_path):
    out = io.StringIO()
    simulate(lines="eight", duration_s=0.002).write_vcd(out)
    environment = stand_in_host.furnish(tmp_path, [out.getvalue()])
    maps = [option for number, line in enumerate(LINE_SETS["eight"]) for option in ("--map", f"{line}=D{number}")]
    old = {"boot.vcd": OLD, "boot.vcd.map.toml": b'[map]\nM1 = "CH3"\n'}
    for name, content in old.items():
        (tmp_path / name).write_bytes(content)
    with (tmp_path / "boot.vcd").open("rb"):
        done = without(["capture", "-o", "boot.vcd", *maps], environment=environment, cwd=tmp_path)
    text = done.stderr.decode()
    assert done.returncode == 2 and text.count("\n") == 1 and "(boot.vcd): " in text and "no other program has it open" in text, text
    assert {name: (tmp_path / name).read_bytes() for name in old} == old and leftovers(tmp_path) == []


def files_in(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file() and path.name != LOCK_FILE}


def test_a_sheet_that_another_program_holds_stays_as_it_is(tmp_path):
    box = tmp_path / "box"
    assert without(["case", "new", box, "--symptom", "dead"]).returncode == 0
    before = files_in(box)
    with (box / "case.toml").open("rb"):
        for arguments in (("add", box, FAULTY), ("answer", box, "replaced", "cpu")):
            done = without(["case", *arguments])
            assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"no other program has it open" in done.stderr, done.stderr
        assert without(["case", "show", box]).returncode == 3  # reading goes on
    assert files_in(box) == before
