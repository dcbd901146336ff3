"""Tables that name files, written on another system: backslashes, drives, a mark of order before the text, line ends."""

from __future__ import annotations

import shutil

import pytest

from conftest import TRACES, run_strobewise
from strobewise.expectations import load_expectations
from strobewise.profile.machine import load_profile

FULL = TRACES / "good" / "healthy-full.vcd.gz"
EIGHT = TRACES / "good" / "healthy-eight.vcd.gz"
ROM = TRACES / "machines" / "dunlin.rom"
MEMORY = """name = "mine"

[[memory]]
kind = "rom"
start = 0x0000
end = 0x2fff
file = {}
"""
BACKSLASH = "in a file's name write / for a backslash, or put single quotes around it"


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "roms" / "old").mkdir(parents=True)
    shutil.copy(ROM, tmp_path / "roms" / "old" / "monitor.rom")
    return tmp_path


def test_backslashes_in_a_profile_part_folders_on_every_system(bench):
    (bench / "mine.toml").write_text(MEMORY.format(r"'roms\old\monitor.rom'"))
    assert load_profile(bench / "mine.toml").memory[0].contents == ROM.read_bytes()
    assert run_strobewise("case", "new", bench / "box", "--machine", bench / "mine.toml").returncode == 0
    assert (bench / "box" / "machine" / "monitor.rom").read_bytes() == ROM.read_bytes()


@pytest.mark.skipif("\\" in str(TRACES), reason="there a backslash parts folders, and no name has one")
def test_a_name_that_has_a_backslash_is_that_file(bench):
    shutil.copy(FULL, bench / "monitor.rom")
    (bench / r"old\monitor.rom").write_bytes(b"\x76")
    (bench / "mine.toml").write_text(MEMORY.format(r"'old\monitor.rom'"))
    assert load_profile(bench / "mine.toml").memory[0].contents == b"\x76"


def test_backslashes_in_expectations_part_folders_on_every_system(bench):
    names = r"""[capture]
files = ['roms\old\monitor.rom', 'none\x.vcd']
machine = 'roms\old\monitor.rom'
"""
    (bench / "board.expect.toml").write_text(names)
    expected = load_expectations(bench / "board.expect.toml")
    assert expected.files == (bench / "roms" / "old" / "monitor.rom", bench / "none" / "x.vcd")
    assert expected.machine == bench / "roms" / "old" / "monitor.rom"


@pytest.mark.parametrize("name", [r"C:\roms\monitor.rom", r"C:\users\mine\x.rom", r"..\roms\x.rom"])
def test_double_quotes_around_backslashes_are_explained(bench, name):
    (bench / "mine.toml").write_text(MEMORY.format(f'"{name}"'))
    done = run_strobewise("diagnose", FULL, "--machine", bench / "mine.toml")
    text = done.stderr.decode()
    assert done.returncode == 2 and text.count("\n") == 1 and BACKSLASH in text and text.endswith("correct that line\n"), text


def test_a_mark_of_order_and_other_line_ends_are_taken(bench):
    text = "\ufeff" + MEMORY.format("'roms/old/monitor.rom'").replace("\n", "\r\n")
    (bench / "mine.toml").write_bytes(text.encode())
    assert load_profile(bench / "mine.toml").name == "mine"
    assert run_strobewise("case", "new", bench / "box", "--machine", bench / "mine.toml").returncode == 0
    done = run_strobewise("learn", FULL, "-o", bench / "mine.toml")
    assert done.returncode == 0 and 'name = "mine"' in (bench / "mine.toml").read_text(encoding="utf-8"), done.stderr
    (bench / "map.toml").write_bytes("\ufeff[map]\r\nM1 = 'nM1'\r\n".encode())
    assert run_strobewise("lines", EIGHT, "--map-file", bench / "map.toml").returncode == 0
