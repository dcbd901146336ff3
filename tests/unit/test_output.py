"""Output files appear whole or not at all, and what a file says cannot reach the terminal as a control sequence."""

from __future__ import annotations

import gzip
import json
import os
import re
import shutil
import subprocess
import sys
import time

import pytest

from conftest import ROOT, TRACES, run_strobewise
from strobewise.errors import UsageError
from strobewise_cli.output import json_text, open_output
from strobewise_cli.terminal import one_line


def environment():
    return {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])}


def test_a_file_appears_only_at_the_end(tmp_path):
    target = tmp_path / "out.csv"
    with open_output(target) as out:
        out.write(b"abc")
        assert not target.exists()
    assert target.read_bytes() == b"abc"
    assert list(tmp_path.iterdir()) == [target]


def test_a_failure_leaves_the_old_file_and_nothing_else(tmp_path):
    target = tmp_path / "out.csv"
    target.write_text("old")
    with pytest.raises(RuntimeError), open_output(target, "w") as out:
        out.write("half")
        raise RuntimeError
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_file_name_that_is_no_text_can_be_written(tmp_path):
    with open_output(tmp_path / "out.html", "w") as out:
        out.write(os.fsdecode(b"bad\xff.vcd"))
    assert (tmp_path / "out.html").read_bytes() == b"bad\\udcff.vcd"


def test_packed_output_is_the_same_each_time(tmp_path):
    for name in ("a.csv.gz", "b.csv.gz"):
        with open_output(tmp_path / name, "w") as out:
            out.write("x\n" * 100)
    assert (tmp_path / "a.csv.gz").read_bytes() == (tmp_path / "b.csv.gz").read_bytes()
    assert gzip.decompress((tmp_path / "a.csv.gz").read_bytes()) == b"x\n" * 100


def test_a_link_stays_a_link_and_permissions_stay(tmp_path):
    real = tmp_path / "real.txt"
    real.write_text("old")
    real.chmod(0o640)
    link = tmp_path / "link.txt"
    link.symlink_to(real)
    with open_output(link, "w") as out:
        out.write("new")
    assert link.is_symlink() and real.read_text() == "new"
    assert real.stat().st_mode & 0o777 == 0o640


def test_a_new_file_has_the_usual_permissions(tmp_path):
    before = os.umask(0o027)
    try:
        with open_output(tmp_path / "x") as out:
            out.write(b"")
    finally:
        os.umask(before)
    assert (tmp_path / "x").stat().st_mode & 0o777 == 0o640


def test_a_device_is_written_directly():
    with open_output("/dev/null") as out:
        out.write(b"abc")


def test_errors_name_the_target_and_not_the_part_file(tmp_path):
    target = tmp_path / "no" / "such" / "folder.csv"
    with pytest.raises(FileNotFoundError) as error, open_output(target):
        pass
    assert error.value.filename == str(target)
    with pytest.raises(UsageError, match=r"^this is a folder \(.*\): name a file in it$"), open_output(tmp_path):
        pass


def test_a_full_disk_is_told_with_the_name_of_the_file():
    with pytest.raises(OSError, match="No space left") as error, open_output("/dev/full") as out:
        out.write(b"abc")
    assert error.value.filename == "/dev/full"


def test_a_name_as_long_as_the_system_allows(tmp_path):
    with open_output(tmp_path / ("n" * 255)) as out:
        out.write(b"x")
    assert [len(path.name) for path in tmp_path.iterdir()] == [255]


def test_a_planted_link_is_never_followed(tmp_path, monkeypatch):
    """Whatever the random part of the name is, something that stands there already is neither written nor removed."""
    other = tmp_path / "other"
    other.write_text("precious")
    monkeypatch.setattr("os.urandom", bytes)
    planted = tmp_path / f".strobewise-{bytes(8).hex()}.part"
    planted.symlink_to(other)
    with pytest.raises(FileExistsError), open_output(tmp_path / "out") as out:
        out.write(b"x")
    assert planted.is_symlink() and other.read_text() == "precious" and not (tmp_path / "out").exists()


@pytest.mark.parametrize("place", ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1"])
@pytest.mark.parametrize("into", ["pipe", "file"])
def test_standard_output_by_its_other_names(place, into, tmp_path):
    capture = TRACES / "good" / "healthy-two.vcd"
    told = run_strobewise("cycles", capture).stdout
    if into == "pipe":
        assert run_strobewise("cycles", capture, "-o", place).stdout == told
        return
    with open(tmp_path / "out", "wb") as out:
        command = [sys.executable, "-m", "strobewise_cli", "cycles", str(capture), "-o", place]
        assert subprocess.run(command, stdout=out, check=False, env=environment()).returncode == 0
    assert (tmp_path / "out").read_bytes() == told
    assert json.loads(run_strobewise("lines", capture, "--json", place).stdout)  # the JSON alone, as with -


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs a shell with process substitution")
def test_process_substitution(tmp_path):
    capture = TRACES / "good" / "healthy-two.vcd"
    script = f"{sys.executable} -m strobewise_cli diagnose {capture} --json >(cat > {tmp_path}/json) --html >(cat > {tmp_path}/html); wait"
    assert subprocess.run(["bash", "-c", script], stdout=subprocess.DEVNULL, check=False, env=environment()).returncode == 0
    deadline = time.monotonic() + 20
    while not ((tmp_path / "html").exists() and b"</html>" in (tmp_path / "html").read_bytes()) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert json.loads((tmp_path / "json").read_bytes())["format"] == "strobewise-diagnosis"


def test_written_files_are_confirmed_on_a_terminal(tmp_path):
    ours, theirs = os.openpty()
    command = ["diagnose", str(TRACES / "good" / "healthy-two.vcd"), "--json", "d.json", "--html", "d.html"]
    done = subprocess.run(
        [sys.executable, "-m", "strobewise_cli", *command], stdout=subprocess.DEVNULL, stderr=theirs, check=False, cwd=tmp_path,
        env={**environment(), "TERM": "dumb"},
    )  # fmt: skip
    os.close(theirs)
    said = os.read(ours, 65536).decode()
    os.close(ours)
    assert done.returncode == 0 and "wrote d.json\r\n" in said and "wrote d.html\r\n" in said


def test_json_holds_no_lone_surrogate(tmp_path):
    assert json.loads(json_text({os.fsdecode(b"\xff"): [os.fsdecode(b"a\xfe\xc3\xa4")]})) == {"\\udcff": ["a\\udcfe\u00e4"]}
    path = tmp_path / os.fsdecode(b"odd\xff.vcd")
    shutil.copy(TRACES / "good" / "healthy-two.vcd", path)
    assert b"\\\\udcff.vcd" in run_strobewise("diagnose", path, "--json", "-").stdout


def test_control_sequences_are_shown_not_sent():
    assert one_line("a\x1b[31mb\nc\u202e") == r"a\x1b[31mb\nc\u202e"


ERROR = re.compile(rb"^strobewise: error: [^\n]+\n$")


@pytest.mark.parametrize(
    "arguments",
    [
        (), ("no-such-command",), ("cycles",), ("cycles", "no-such-file.vcd"), ("cycles", "/"), ("cycles", "x", "y"),
        ("cycles", "x", "--format", "z"), ("cycles", "x", "--clock", "7"), ("cycles", "x", "--clock", "fast"),
        ("cycles", "x", "--rom", "nothing"), ("cycles", "x", "--rom", "no-such@0"), ("cycles", "x", "--probe-at", "M1=sofa"),
        ("cycles", "x", "--machine", "no-such.toml"), ("diagnose", "-", "-"), ("diagnose",), ("prepare", "x"),
        ("prepare", "x", "-o", "y.vcd.gz"), ("plugins", "explode"), ("plugins", "check", "--copy"), ("lines", "no\x1b[31m\nfile"),
    ],
)  # fmt: skip
def test_every_error_of_the_user_is_one_line(arguments, tmp_path):
    done = run_strobewise(*arguments, stdin=b"", cwd=tmp_path)
    assert done.returncode == 2
    assert ERROR.match(done.stderr), done.stderr
    assert done.stdout == b""
    assert list(tmp_path.iterdir()) == []


def test_debug_shows_the_traceback_as_well(tmp_path):
    done = run_strobewise("cycles", "--debug", "no-such-file.vcd", cwd=tmp_path)
    assert done.returncode == 2
    assert b"Traceback" in done.stderr
    assert done.stderr.splitlines()[-1] == b"strobewise: error: no such file (no-such-file.vcd): check the name"


@pytest.mark.parametrize("command", ["diagnose", "cycles", "lines", "prepare", "plugins"])
def test_help_teaches_with_examples(command):
    done = run_strobewise(command, "--help")
    assert done.returncode == 0
    assert b"examples:\n  strobewise " + command.encode() in done.stdout
