"""``strobewise capture``: with the host's demo device, and with a stand-in that plays recorded captures."""

from __future__ import annotations

import io
import json
import shutil

import pytest

import stand_in_host
from conftest import require_component, run_strobewise
from strobewise.machine import LINE_SETS, fault, simulate
from strobewise_cli.acquire.host import Abilities, read_abilities
from strobewise_cli.acquire.plan import pick_rate

HOST = shutil.which("sigrok-cli")
RATE = 24_000_000
REFUSES = "the capture host refuses:"


def recorded(*faults, rate=RATE, lines="eight", comment=True, **changes):
    """Return a simulated capture as the host writes it: channels named after their lines, the rate in a comment."""
    out = io.StringIO()
    changes.setdefault("duration_s", 0.002)
    simulate(lines=lines, sample_hz=rate, faults=list(faults), **changes).write_vcd(out)
    head = f"$comment\n  Acquisition with 8/8 channels at {rate / 1e6:g} MHz\n$end\n" if comment else ""
    return head + out.getvalue()


@pytest.fixture
def bench(tmp_path):
    def furnish(*captures, **more):
        environment = {**stand_in_host.furnish(tmp_path, list(captures)), **more}

        def capture(*arguments):
            done = run_strobewise("capture", *arguments, cwd=tmp_path, environment=environment)
            return done.returncode, done.stdout.decode(), done.stderr.decode()

        return capture

    return furnish


MAPS = [option for n, name in enumerate(LINE_SETS["eight"]) for option in ("--map", f"{name}=D{n}")]


def asked(tmp_path):
    return [line.split("\t") for line in (tmp_path / "tools" / "asked").read_text().splitlines()]


def test_a_capture_is_named_kept_with_its_map_and_judged(bench, tmp_path):
    capture = bench(recorded(fault("dead-high", line="M1")))
    status, out, err = capture("-o", "boot.vcd", *MAPS, "--duration", "2ms", "--json", "boot.json")
    assert status == 0 and err == ""
    assert out.index("Power off and unplug") < out.index("M1 (pin 27)") < out.index("FAULT: /M1 (pin 27) is dead")
    options = asked(tmp_path)[0]
    assert options[options.index("-C") + 1] == ",".join(f"D{n}={name}" for n, name in enumerate(LINE_SETS["eight"]))
    assert "samplerate=24000000" in options and options[options.index("--samples") + 1] == "48000"
    assert "-P" not in options and "-L" not in options  # never a decoder of the host's own
    assert 'M1 = "M1"\n' in (tmp_path / "boot.vcd.map.toml").read_text()
    assert json.loads((tmp_path / "boot.json").read_text())["verdict"]["suspects"][0]["suspect"] == "cpu"
    again = run_strobewise("diagnose", "boot.vcd", cwd=tmp_path)  # takes the map beside it
    assert again.returncode == 1 and b"boot.vcd.map.toml" in again.stdout


def test_without_a_word_the_leads_are_those_of_hookup(bench, tmp_path):
    planned = json.loads(run_strobewise("hookup", "--channels", "8", "--symptom", "dead", "--json", "-").stdout)
    capture = bench(recorded(lines=tuple(lead["line"] for lead in planned["leads"])))
    assert capture("-o", "x.vcd.gz", "--symptom", "dead")[0] == 0
    options = asked(tmp_path)[0]
    assert options[options.index("-C") + 1] == ",".join(f"D{lead['channel']}={lead['line']}" for lead in planned["leads"])
    assert (tmp_path / "x.vcd.gz").read_bytes()[:2] == b"\x1f\x8b"


def test_what_came_is_held_against_what_was_asked_for(bench):
    capture = bench(recorded(rate=12_000_000))
    _, out, _ = capture("-o", "x.vcd", *MAPS, "--duration", "50ms")
    flat = " ".join(out.split())
    assert "The record is short: 2 ms of 50 ms came" in flat and "The device sampled at 12 MHz, not at 24 MHz" in flat


def test_an_unknown_rate_is_told_and_a_whole_record_is_not_blamed(bench):
    _, out, _ = bench(recorded(comment=False))("-o", "x.vcd", *MAPS, "--duration", "2ms")
    flat = " ".join(out.split())
    assert "does not say at which rate" in flat and "record is short" not in flat


def test_the_leads_alone_and_nothing_is_kept(bench, tmp_path):
    capture = bench(recorded(duration_s=0.01))
    status, out, _ = capture("--check-leads", *MAPS)
    assert status == 0 and "Nothing speaks against the leads." in out and "alive" in out
    assert [path.name for path in tmp_path.iterdir()] == ["tools"]
    options = asked(tmp_path)[0]
    assert options[options.index("--samples") + 1] == "240000"


def test_swapped_leads_are_seen(bench):
    names = list(LINE_SETS["eight"])
    text = recorded(duration_s=0.01)
    for old, new in ((" RD ", " \0 "), (" WR ", " RD "), (" \0 ", " WR ")):
        text = text.replace(old, new)
    assert {"RD", "WR"} <= set(names) and " RD " in text
    out = " ".join(bench(text)("--check-leads", *MAPS)[1].split())
    assert "eads on the wrong pins" in out and "RD and /WR exchanged" in out


def test_a_missing_ground_is_seen(bench):
    names = LINE_SETS["eight"]
    variables = "".join(f"$var wire 1 {chr(97 + n)} {name} $end\n" for n, name in enumerate(names))
    head = f"$comment a at 24 MHz $end\n$timescale 1 ns $end\n{variables}"
    hum = "".join(f"#{t * 100_000}\n" + "".join(f"{t % 2}{chr(97 + n)}\n" for n in range(len(names))) for t in range(100))
    out = " ".join(bench(head + "$enddefinitions $end\n" + hum)("--check-leads", *MAPS)[1].split())
    assert "All leads that move do so at the same moments: the ground lead is off" in out


def test_leads_that_do_not_move(bench):
    head = "$comment a at 24 MHz $end\n$timescale 1 ns $end\n$var wire 1 a M1 $end\n$enddefinitions $end\n#0\n1a\n#10000000\n"
    out = bench(head)("--check-leads", "--map", "M1=D0")[1]
    assert "still, high" in out and "No lead moves: is the machine on" in out


def test_bursts_go_on_until_one_fails_and_that_one_is_kept(bench, tmp_path):
    capture = bench(recorded(), recorded(), recorded(fault("dead-low", line="RFSH")), recorded())
    status, out, err = capture("-o", "warm.vcd", *MAPS, "--duration", "2ms", "--until-fault", "--brief")
    assert status == 0 and err == ""
    assert "   1  NO FAULT FOUND" in out and "   3  /RFSH (pin 28) is dead" in out and "3 bursts, 1 with a fault." in out
    assert out.rstrip().count("/RFSH") >= 2  # its verdict follows
    assert sorted(path.name for path in tmp_path.glob("warm*")) == ["warm-0001.vcd", "warm-0001.vcd.map.toml"]


def test_bursts_without_a_fault_keep_the_last_one(bench, tmp_path):
    status, out, _ = bench(recorded())("-o", "warm.vcd", *MAPS, "--duration", "2ms", "--for", "10ms")
    assert status == 0 and "0 with a fault." in out
    assert sorted(path.name for path in tmp_path.glob("warm*")) == ["warm.vcd", "warm.vcd.map.toml"]


def test_the_trigger_is_handed_on(bench, tmp_path):
    bench(recorded())("-o", "x.vcd", *MAPS, "--trigger", "RESET=rising")
    options = asked(tmp_path)[0]
    assert options[options.index("-t") + 1] == "RESET=r" and "-w" in options


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "nothing says where the capture goes (-o): give -o FILE, or --check-leads or --list alone"),
        (("-o", "no/x.vcd"), "there is no such folder (-o no/x.vcd): make it first"),
        (("-o", "x.bin"), "a capture is written as VCD (-o x.bin): end the name with .vcd or .vcd.gz"),
        (("-o", "x.vcd", "--map", "M1=Q1"), "the device has no channel 'Q1' (--map M1=Q1): it has D0, D1, D2, D3, D4, D5, D6, D7"),
        (("-o", "x.vcd", "--map", "M1=D0", "--map", "M1=D1"), "the line M1 is given twice (--map): give each line one channel"),
        (("-o", "x.vcd", "--map", "M1=D0", "--trigger", "WR=falling"), "no lead carries WR (--trigger): wait for a line that has a lead"),
        (("-o", "x.vcd"), f"{REFUSES} Failed to open device (bench:conn=1.7): strobewise capture --list shows what is there"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_one_line(bench, tmp_path, arguments, told):
    status, _, err = bench()(*arguments)
    assert (status, err) == (2, f"strobewise: error: {told}\n")
    assert [path.name for path in tmp_path.iterdir()] == ["tools"]


def test_several_devices_must_be_told_apart(bench):
    status, _, err = bench(recorded(), DEVICES="2")("-o", "x.vcd")
    assert status == 2 and err == "strobewise: error: there are 2 devices (--device): choose bench:conn=1.7 or bench:conn=1.8\n"


def test_the_list_names_what_can_be_chosen(bench):
    status, out, _ = bench()("--list")
    assert status == 0 and "--device bench:conn=1.7: Bench analyser, 8 channels, up to 24 MHz" in out
    assert " ".join(out.split()).endswith("(its signals are made up)")  # the demo device comes last


def test_without_the_host_one_line_says_how_to_get_it(tmp_path):
    done = run_strobewise("capture", "--list", environment={"PATH": str(tmp_path)})
    told = done.stderr.decode()
    assert done.returncode == 2 and told.startswith("strobewise: error: the capture host is not here (sigrok-cli): install it (")
    assert done.stderr.count(b"\n") == 1


def test_the_device_s_rate_is_the_slowest_that_is_fast_enough():
    able = read_abilities(stand_in_host.SHOW)
    assert able == Abilities(tuple(f"D{n}" for n in range(8)), (1_000_000, 12_000_000, 24_000_000), None, True)
    wanted = (500_000, 12_000_000, 13_000_000, 99_000_000)
    assert [pick_rate(rate, able) // 1_000_000 for rate in wanted] == [1, 12, 24, 24]
    assert pick_rate(7, Abilities((), (), (10, 20), False)) == 10 and pick_rate(7, Abilities((), (), None, False)) == 7


def test_the_demo_device_of_the_real_host(tmp_path):
    require_component("the capture host", HOST, "install sigrok-cli, without its bundled decoders")
    done = run_strobewise("capture", "--device", "demo", "-o", "demo.vcd", "--check-leads", "--duration", "2ms", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    text = (tmp_path / "demo.vcd").read_text()
    assert "at 24 MHz" in text and " MREQ $end" in text
    assert 'MREQ = "MREQ"\n' in (tmp_path / "demo.vcd.map.toml").read_text()
    out = done.stdout.decode()
    assert "alive" in out and "short" not in out and "Captured: demo.vcd" in out
    listed = run_strobewise("capture", "--list").stdout.decode()
    assert "--device demo: Demo device, 8 channels, up to 1000 MHz (its signals are made" in listed


def test_a_case_takes_the_capture_that_its_step_asks_for(tmp_path):
    assert run_strobewise("case", "new", "mine", "--symptom", "dead", cwd=tmp_path).returncode == 0
    step = json.loads(run_strobewise("case", "next", "mine", "--json", "-", cwd=tmp_path).stdout)
    lines = [lead["line"] for lead in step["leads"]]
    text = recorded(fault("dead-low", line="M1"), lines=tuple(lines))
    for number, line in enumerate(lines):
        text = text.replace(f" {line} $end", f" D{number} $end")  # the file keeps the analyser's own names
    environment = stand_in_host.furnish(tmp_path, [text])
    done = run_strobewise("case", "add", "mine", "--from", "bench:conn=1.7", cwd=tmp_path, environment=environment)
    assert done.returncode == 1 and b"/M1 (pin 27) is dead" in done.stdout, done.stderr
    options = asked(tmp_path)[0]
    assert options[options.index("-C") + 1] == ",".join(f"D{n}=D{n}" for n in range(len(lines)))
    beside = next((tmp_path / "mine" / "captures").glob("*.map.toml")).read_text()
    assert f'M1 = "D{lines.index("M1")}"' in beside  # which lead it was on tells a bad lead from a dead line


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "one capture is to be added (CAPTURE): name a file, or --from and the analyser to take it from"),
        (("x.vcd", "--from", "demo"), "one capture is to be added (CAPTURE): name a file, or --from and the analyser to take it from"),
        (("--from", "demo", "--map", "M1=D0"), "the next step says where the leads sit (--map): leave it out with --from"),
    ],
)  # fmt: skip
def test_a_case_takes_one_capture_at_a_time(tmp_path, arguments, told):
    run_strobewise("case", "new", "mine", cwd=tmp_path)
    done = run_strobewise("case", "add", "mine", *arguments, cwd=tmp_path)
    assert (done.returncode, done.stderr.decode()) == (2, f"strobewise: error: {told}\n")
