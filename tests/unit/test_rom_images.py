"""ROM images from a command line or from a file of expectations: what fits is read, all else is one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest

from conftest import TRACES, run_strobewise
from strobewise.evidence.rom_images import rom_images
from strobewise.profile.options import Options, read_rom
from strobewise.records.profile import MemoryRegion, Profile

GOOD = TRACES / "good" / "healthy-full.vcd.gz"


@pytest.mark.parametrize(
    ("size", "address", "said"),
    [
        (0, 0, "empty"),
        (0x10001, 0, "do not fit"),
        (0x101, 0xFF00, "do not fit"),
        (16, 0x10000, "beyond the 64 K"),
        (16, -1, "beyond the 64 K"),
        (0x10000, 0, None),
        (0x100, 0xFF00, None),
    ],
)
def test_what_fits(tmp_path, size, address, said):
    path = tmp_path / "monitor.rom"
    path.write_bytes(bytes(size))
    if said is None:
        assert read_rom(path, address) == bytes(size)
    else:
        with pytest.raises(ValueError, match=said):
            read_rom(path, address)


def test_an_image_that_is_named_takes_the_place_of_the_profiles():
    regions = (
        MemoryRegion("rom", 0, 0x1FFF, Path("low.rom"), b"low"), MemoryRegion("rom", 0x2000, 0x3FFF, Path("high.rom"), b"high"),
        MemoryRegion("ram", 0x4000, 0x7FFF, Path("battery.bin"), b"kept"), MemoryRegion("rom", 0x8000, 0x9FFF),
    )  # fmt: skip
    of_profile = [("low.rom", 0, b"low"), ("high.rom", 0x2000, b"high")]
    assert rom_images(Options(profile=Profile("x", memory=regions))) == of_profile
    named = ("mine.rom", 0x2000, b"mine")
    assert rom_images(Options(profile=Profile("x", memory=regions), roms=(named,))) == [named, of_profile[0]]
    assert rom_images(Options(roms=(named,))) == [named]


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="needs /dev/zero, a device of Linux")
def test_a_device_without_an_end_is_refused_on_both_ways(tmp_path):
    done = run_strobewise("diagnose", GOOD, "--rom", "/dev/zero@0x0000")
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"this is no plain file" in done.stderr
    board = tmp_path / "board.expect.toml"
    assert run_strobewise("verify", GOOD, "--record", board).returncode == 0
    board.write_text(board.read_text().rstrip() + "\n" + '\n[[capture.rom]]\nfile = "/dev/zero"\naddress = 0\n')
    done = run_strobewise("verify", GOOD, "--expect", board)
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"this is no plain file" in done.stderr
