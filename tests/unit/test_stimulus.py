"""The test program: made for a memory map, healthy beside itself, and told by few leads."""

import io
import re

import pytest

from strobewise.diagnosis.facade import examine
from strobewise.errors import ProfileError
from strobewise.machine.faults import fault
from strobewise.machine.scenario import GENERIC
from strobewise.machine.simulate import simulate
from strobewise.profile.machine import load_profile
from strobewise.profile.options import Options
from strobewise.replay.board import ReplayBoard
from strobewise.replay.known import known_program
from strobewise.replay.predict import predict
from strobewise.replay.stimulus import make_stimulus, stimulus_for
from strobewise_cli.main import main

IMAGE = stimulus_for(GENERIC).image
CLOCK = GENERIC.clock_hz


def replayed(tmp_path, *faults, **changes):
    path = tmp_path / "capture.vcd"
    text = io.StringIO()
    leads = ("M1", "MREQ", "RESET")
    simulate(**{"lines": leads, "duration_s": 0.002, "contents": ((0, IMAGE),), "faults": faults, **changes}).write_vcd(text)
    path.write_text(text.getvalue())
    return examine(str(path), Options(clock_hz=CLOCK, profile=GENERIC, stimulus=True)).evidence.replay


@pytest.mark.parametrize("size", [0x800, 0x1000, 0x2000, 0x4000, 0x8000])
def test_it_fills_the_rom(size):
    stimulus = make_stimulus(size, (0x8000, 0xBFFF))
    assert len(stimulus.image) == size
    assert stimulus.image[-3:] == b"\xc3\x00\x00"  # who runs off its end begins anew


@pytest.mark.parametrize("size", [0x400, 0x1800, 0x20000])
def test_a_size_that_no_rom_has_is_refused(size):
    with pytest.raises(ValueError, match="power of two"):
        make_stimulus(size)


def test_no_two_stretches_of_filling_have_the_same_rhythm():
    image = make_stimulus(0x4000).image
    blocks = [image[at : at + 16] for at in range(0x800, 0x1000, 16)]
    assert len(set(blocks)) == len(blocks)


def test_a_healthy_machine_does_what_it_says(tmp_path):
    record = replayed(tmp_path)
    assert record.healthy_matched == record.cycles > 1500 and not record.candidates
    assert record.program.startswith("stimulus ")


def test_it_runs_through_all_of_its_parts():
    """March, stack and interrupts come within a tenth of a second, and the way leads back to the walk."""
    from strobewise.machine.simulate import simulate

    run = simulate(lines=("M1", "MREQ"), duration_s=0.05, contents=((0, IMAGE),))
    for _ in run.words():
        pass
    fetched = [cycle["address"] for cycle in run.truth["cycles"] if cycle["kind"] == "opcode_fetch"]
    assert {0x0038, 0x0070, 0x1800} <= set(fetched)
    assert fetched.count(0x1800) > 2
    assert any(cycle["kind"] == "io_read" for cycle in run.truth["cycles"])
    assert not any(cycle["kind"] == "io_write" for cycle in run.truth["cycles"])


@pytest.mark.parametrize(
    "wrong",
    [
        fault("dead-high", line="A4", at="line"),
        fault("shorted", lines=["D5", "D6"]),
        fault("ram-bit-dead", bit=5, level="low", start=0x4000, end=0x7FFF),
        fault("ram-missing", start=0x4000, end=0x7FFF),
    ],
    ids=lambda wrong: wrong.kind,
)
def test_two_leads_name_the_line_or_the_bank(tmp_path, wrong):
    record = replayed(tmp_path, wrong)
    first = [candidate for candidate in record.candidates if candidate.group == 1]
    assert first and all(set(candidate.lines) & set(wrong.lines) or candidate.region == (0x4000, 0x7FFF) for candidate in first)


def test_a_profile_may_say_that_it_runs(tmp_path):
    version = make_stimulus(0x800).version
    text = f'[[memory]]\nkind = "rom"\nstart = 0x0000\nend = 0x1FFF\n\n[program]\nstimulus = "{version}"\n'
    path = tmp_path / "bench.toml"
    path.write_text(text)
    profile = load_profile(path)
    assert profile.stimulus == version
    assert len(stimulus_for(profile, profile.stimulus).image) == 0x2000
    with pytest.raises(ProfileError, match=r"of version 0\.0\.1"):
        stimulus_for(profile, "0.0.1")


def test_the_command_writes_image_and_listing(tmp_path, capsys):
    target = tmp_path / "test.bin"
    assert main(["stimulus", "--size", "4K", "-o", str(target), "--listing"]) == 0
    assert target.read_bytes() == make_stimulus(0x1000).image
    out = capsys.readouterr().out
    assert re.search(r"^0001  31 45 03 +LD SP,0x0345$", out, re.MULTILINE)


@pytest.mark.parametrize("arguments", [["--size", "3K", "--listing"], []])
def test_what_it_cannot_write_it_refuses(arguments, capsys):
    assert main(["stimulus", *arguments]) == 2
    assert capsys.readouterr().err.startswith("strobewise: error: ")


def rhythm(*faults, most=80):
    program = known_program(Options(profile=GENERIC, stimulus=True))
    boards = [ReplayBoard(program.regions, each) for each in faults] or [ReplayBoard(program.regions)]
    return [predict(board, most).on_two_leads() for board in boards]


def test_the_predicted_rhythm_is_that_of_the_simulated_machine(tmp_path):
    simulated = simulate(lines=("M1", "MREQ"), duration_s=0.002, contents=((0, IMAGE),))
    for _ in simulated.words():
        pass
    shown = [(cycle["kind"] == "opcode_fetch", cycle["t_states"]) for cycle in simulated.truth["cycles"]][:1000]
    (predicted,) = rhythm(most=1000)
    assert [(kind == 0, t_states) for kind, t_states in predicted] == shown


def test_no_data_line_leads_the_lead_in_astray_and_each_has_a_rhythm_of_its_own():
    """But for D0 held low, which makes a conditional jump of the second byte: replay tries both its ways."""
    (healthy,) = rhythm()
    faults = [fault(f"dead-{level}", line=f"D{bit}", at="line") for bit in range(8) for level in ("high", "low")]
    shown = rhythm(*(each for each in faults if (each.lines, each.kind) != (("D0",), "dead-low")))
    parts = [next(at for at, (one, other) in enumerate(zip(each, healthy, strict=False)) if one != other) for each in shown]
    assert max(parts) < 48 and all(len(each) >= at + 24 for each, at in zip(shown, parts, strict=True))
    assert len(set(shown)) == len(shown)
