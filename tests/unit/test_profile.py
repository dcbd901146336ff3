"""Machine profiles: what they may say, and the words for what they may not."""

# ruff: noqa: E501 (messages stand whole, as the user reads them)

from __future__ import annotations

import re

import pytest

from strobewise.errors import ProfileError
from strobewise.profile.machine import load_profile
from strobewise.records.profile import BoardChip, MemoryRegion, Paging, Pass, ProfileLine

FULL = """
name = "bench example"
clock_hz = 3_072_000
interrupt_period_t_states = 51200

[[memory]]
kind = "rom"
start = 0x0000
end = 0x27FF
file = "monitor.rom"
chips = ["IC7"]

[[memory]]
kind = "ram"
start = 0x2800
end = 0xFFFF
chips = ["U0", "U1", "U2", "U3", "U4", "U5", "U6", "U7"]

[[lines]]
name = "ROMDIS"
active = 1
connector_pin = "17B"

[[lines]]
name = "STALL"

[[lines]]
name = "M1"
connector_pin = "3A"

[[paging]]
name = "overlay"
fetch_at = [0x0000, 0x0018, 0x0028, 0x0066]
responds_on = "ROMDIS"
active = 1
within_t_states = 4
released_by_fetch_in = [[0x1F80, 0x1F8F]]
"""


def write(tmp_path, text, name="mine.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_every_key(tmp_path):
    (tmp_path / "monitor.rom").write_bytes(b"\x01\x02\x03")
    profile = load_profile(write(tmp_path, FULL))
    assert (profile.name, profile.clock_hz, profile.interrupt_period_t_states) == ("bench example", 3_072_000, 51200)
    rom, ram = profile.memory
    assert rom == MemoryRegion("rom", 0x0000, 0x27FF, tmp_path / "monitor.rom", b"\x01\x02\x03", ("IC7",))
    assert (ram.kind, ram.start, ram.end, ram.file, ram.contents) == ("ram", 0x2800, 0xFFFF, None, None)
    assert [ram.chip(bit) for bit in (0, 7)] == ["U0", "U7"]
    assert [rom.chip(bit) for bit in (0, 7)] == ["IC7", "IC7"]
    assert profile.lines[:2] == (ProfileLine("ROMDIS", 1, "17B"), ProfileLine("STALL", None, None))
    assert profile.connector_pin("M1") == "3A" and profile.connector_pin("RD") is None
    assert profile.active_level("ROMDIS") == 1 and profile.active_level("M1") == 0 and profile.active_level("STALL") is None
    assert profile.paging == (Paging("overlay", (0, 0x18, 0x28, 0x66), "ROMDIS", 1, 4, ((0x1F80, 0x1F8F),)),)


def test_regions_are_found_by_address(tmp_path):
    profile = load_profile(write(tmp_path, FULL.replace('file = "monitor.rom"\n', "")))
    assert profile.region(0x27FF).kind == "rom" and profile.region(0x2800).kind == "ram"
    assert load_profile(write(tmp_path, 'name = "empty"')).region(0) is None


def test_almost_everything_may_be_left_out(tmp_path):
    profile = load_profile(write(tmp_path, "[[paging]]\nfetch_at = [0]\n", "bare.toml"))
    assert profile.name == "bare" and profile.clock_hz is None and profile.memory == ()
    assert profile.paging == (Paging("paging", (0,), "ROMDIS", 1, 4, ()),)


def test_the_clock_may_be_a_float(tmp_path):
    assert load_profile(write(tmp_path, "clock_hz = 3.5e6")).clock_hz == 3_500_000


@pytest.mark.parametrize("active, expected", [("active = 0\n", 0), ("", 1)])
def test_a_line_of_the_machines_own_answers(tmp_path, active, expected):
    lines = '[[lines]]\nname = "card"\nactive = 1\n'
    profile = load_profile(write(tmp_path, lines + f'[[paging]]\nfetch_at = [8]\nresponds_on = "card"\n{active}'))
    assert (profile.paging[0].responds_on, profile.paging[0].active) == ("CARD", expected)


MEMORY = '[[memory]]\nkind = "rom"\nstart = 0\nend = 0x0FFF\n'


@pytest.mark.parametrize(
    "text, message",
    [
        ("clock_hz = 3.5", "clock_hz is 3.5 (FILE, clock_hz): a number 1000..50000000"),
        ("clock_hz = true", "clock_hz is True (FILE, clock_hz): a number 1000..50000000"),
        ("clok_hz = 1", "unknown key 'clok_hz', perhaps clock_hz (FILE, clok_hz): one of clock_hz, glue, interrupt_period_t_states, lines, memory, name, paging"),
        ('name = ""', "name is '' (FILE, name): a text that is not empty"),
        ("interrupt_period_t_states = 0", "interrupt_period_t_states is 0 (FILE, interrupt_period_t_states): a whole number 1..4294967296"),
        ("memory = 3", "memory is not an array of tables (FILE, memory): one table for each: [[memory]]"),
        ("[[memory]]\nstart = 0\nend = 1\n", "kind is missing (FILE, memory[1].kind): one of rom, ram, device, nothing"),
        (MEMORY.replace("rom", "rim"), "kind is 'rim', perhaps rom (FILE, memory[1].kind): one of rom, ram, device, nothing"),
        (MEMORY.replace("0x0FFF", "0x10000"), "end is 0x10000 (FILE, memory[1].end): a whole number 0x0000..0xFFFF"),
        (MEMORY.replace("start = 0", 'start = "0"'), "start is '0' (FILE, memory[1].start): a whole number 0x0000..0xFFFF"),
        (MEMORY.replace("start = 0", "start = 0x1000"), "end 0x0FFF is below start 0x1000 (FILE, memory[1].end): the region's last address"),
        (MEMORY + MEMORY.replace("rom", "ram"), "rom 0x0000..0x0FFF and ram 0x0000..0x0FFF overlap (FILE, memory): regions that do not share an address"),
        (MEMORY + 'chips = ["A", "B"]', "chips holds 2 entries (FILE, memory[1].chips): a list of one chip's name, or of eight, D0 first"),
        (MEMORY + 'chip = "A"', "unknown key 'chip', perhaps chips (FILE, memory[1].chip): one of chips, end, file, kind, start"),
        ('[[lines]]\nname = "1st"', "name is '1st' (FILE, lines[1].name): a letter, then letters, digits and underscores"),
        ('[[lines]]\nname = "M1"\nactive = 1', "active is 1, but M1 is the CPU's own line (FILE, lines[1].active): 0, or no such key"),
        ('[[lines]]\nname = "X"\nactive = 2', "active is 2 (FILE, lines[1].active): one of 0, 1"),
        ('[[lines]]\nname = "X"\n[[lines]]\nname = "x"', "line X is described twice (FILE, lines): one [[lines]] table for each line"),
        ("[[paging]]\nfetch_at = []", "fetch_at is empty (FILE, paging[1].fetch_at): at least one address"),
        ("[[paging]]\nfetch_at = 8", "fetch_at is 8 (FILE, paging[1].fetch_at): a list of addresses 0x0000..0xFFFF"),
        ('[[paging]]\nfetch_at = [8]\nresponds_on = "CARD"', "responds_on is 'CARD' (FILE, paging[1].responds_on): a CPU line, ROMDIS or a line from [[lines]]"),
        ("[[paging]]\nfetch_at = [8]\nreleased_by_fetch_in = [[9, 8]]", "released_by_fetch_in holds [0x0009, 0x0008] (FILE, paging[1].released_by_fetch_in): a list of pairs [first, last] of addresses 0x0000..0xFFFF, first not above last"),
        ("[[paging]]\nfetch_at = [8]\nreleased_by_fetch_in = [9]", "released_by_fetch_in holds 9 (FILE, paging[1].released_by_fetch_in): a list of pairs [first, last] of addresses 0x0000..0xFFFF, first not above last"),
        ("[[paging]]\nfetch_at = [8]\nwithin_t_states = 0", "within_t_states is 0 (FILE, paging[1].within_t_states): a whole number 1..1000000"),
        (MEMORY + 'file = "a\\u0000b"', "file is 'a\\x00b' (FILE, memory[1].file): a file name"),
        (MEMORY + 'file = "none.rom"', "cannot read FOLDER/none.rom: No such file or directory (FILE, memory[1].file): a file beside the profile, or its path from there"),
    ],
)  # fmt: skip
def test_what_a_profile_must_not_say(tmp_path, text, message):
    path = write(tmp_path, text)
    expected = message.replace("FILE", str(path)).replace("FOLDER", str(tmp_path))
    with pytest.raises(ProfileError, match=f"^{re.escape(expected)}$"):
        load_profile(path)


def test_regions_may_touch_and_not_share_a_byte(tmp_path):
    second = MEMORY.replace("start = 0", "start = 0x1000").replace("0x0FFF", "0x1FFF")
    assert len(load_profile(write(tmp_path, MEMORY + second)).memory) == 2
    with pytest.raises(ProfileError, match="overlap"):
        load_profile(write(tmp_path, MEMORY + second.replace("0x1000", "0x0FFF")))


def test_a_rom_that_is_too_long(tmp_path):
    (tmp_path / "big.rom").write_bytes(bytes(4097))
    path = write(tmp_path, MEMORY + 'file = "big.rom"')
    expected = f"{tmp_path / 'big.rom'}: it holds 4097 bytes ({path}, memory[1].file): a file of 1..4096 bytes, the region's size"
    with pytest.raises(ProfileError, match=f"^{re.escape(expected)}$"):
        load_profile(path)


def test_of_a_file_without_end_no_more_is_read_than_fits(tmp_path):
    path = write(tmp_path, MEMORY + 'file = "/dev/zero"')
    with pytest.raises(ProfileError, match=r"^/dev/zero: this is no plain file \("):
        load_profile(path)


def test_a_file_that_is_no_profile(tmp_path):
    with pytest.raises(ProfileError, match=r"^cannot read it: No such file or directory \(.*none\.toml\): give an existing TOML file$"):
        load_profile(tmp_path / "none.toml")
    with pytest.raises(ProfileError, match=r"^not valid TOML: .* \(.*mine\.toml\): correct that line$"):
        load_profile(write(tmp_path, "name = "))
    path = tmp_path / "bytes.toml"
    path.write_bytes(b"name = '\xff'")
    with pytest.raises(ProfileError, match=r"^not valid TOML: it is not UTF-8 text \(.*bytes\.toml\): give a TOML file$"):
        load_profile(path)


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ('chip = "U5"\nkind = "fuse"\nlines = ["D0"]', "kind is 'fuse'"), ('kind = "buffer"\nlines = ["D0"]', "chip is missing"),
        ('chip = "U5"\nkind = "buffer"', "no line goes through it"), ('chip = "U5"\nkind = "buffer"\nlines = ["D9"]', "there is no line 'D9'"),
        ('chip = "U5"\nkind = "buffer"\nlines = [3]', "there is no line 3"), ('chip = "U5"\nkind = "buffer"\npins = { D0 = [2] }', r"D0 is \[2\]"),
        ('chip = "U5"\nkind = "buffer"\npins = { D0 = [2, 65] }', r"D0 is \[2, 65\]"),
        ('chip = "U5"\nkind = "buffer"\nlines = ["D0"]\ncontrols = { enable = 0 }', "enable is 0"),
        ('chip = "U5"\nkind = "buffer"\nlines = ["D0"]\nside = 1', "unknown key 'side'"),
    ],
)  # fmt: skip
def test_a_board_that_makes_no_sense_is_refused(tmp_path, text, wrong):
    (tmp_path / "x.toml").write_text("[[glue]]\n" + text)
    with pytest.raises(ProfileError, match=wrong):
        load_profile(tmp_path / "x.toml")


def test_the_board_says_what_a_line_goes_through(tmp_path):
    (tmp_path / "x.toml").write_text('[[glue]]\nchip = "U5"\nkind = "buffer"\nlines = ["/rd"]\npins = { d0 = [2, 18] }\ncontrols = { enable = 19 }')
    profile = load_profile(tmp_path / "x.toml")
    assert profile.board == (BoardChip("U5", "buffer", (Pass("RD", None, None), Pass("D0", 2, 18)), (("enable", 19),)),)
    assert profile.chips_on(("D0",)) == profile.board and profile.chips_on(("D1",)) == ()
