"""Expectations: what a file may say, how a capture is held against it, what is recorded."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from types import SimpleNamespace

import pytest

from conftest import TRACES
from strobewise.bus.lines import ADDRESS, DATA
from strobewise.bus.semantics import TRUST_GROUP
from strobewise.cpu.opcodes import operations
from strobewise.errors import UsageError
from strobewise.expectations import ExpectationError, Range, check, load_expectations, observe, options_of, recorded, verify
from strobewise.expectations.check import _answered
from strobewise.expectations.model import Event
from strobewise.expectations.observe import Seen, _CycleWatch, _match, interrupt_rate
from strobewise.expectations.rom_digest import compare, digest_of
from strobewise.machine import GENERIC, Fault, Scenario, simulate
from strobewise.profile.machine import load_profile
from strobewise.profile.options import Options
from strobewise.program.steps import Step
from strobewise.records.evidence import Span
from strobewise.records.expansion import Trigger

FULL = TRACES / "good" / "healthy-full.vcd.gz"
LODGER = TRACES / "good" / "healthy-lodger.vcd.gz"
SILENT = TRACES / "faults" / "paging-device-silent" / "lodger-silent.vcd.gz"
DEAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
PROFILE = TRACES / "machines" / "dunlin-lodger.toml"


@pytest.fixture
def expect(tmp_path):
    def write(text):
        path = tmp_path / "board.expect.toml"
        path.write_text(text, encoding="utf-8")
        return load_expectations(path)

    return write


def outcome(capture, expected):
    """Return the checks of a capture by name."""
    return {check.name: check for check in verify(capture, expected, options_of(expected)).checks}


# --- numbers ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("7", Range(7, 7)),
        ("[5, 9]", Range(5, 9)),
        ("{ about = 100, percent = 10 }", Range(90, 110)),
        ("{ about = 7, percent = 10 }", Range(6, 8)),
        ("{ least = 3 }", Range(3, None)),
        ("{ most = 3 }", Range(None, 3)),
        ("{ least = 1, most = 3 }", Range(1, 3)),
    ],
)
def test_ways_of_writing_a_number(expect, text, expected):
    assert expect(f"[cycles]\nopcode_fetch = {text}").cycles == {"opcode_fetch": expected}


@pytest.mark.parametrize(
    "text", ['"7"', "[9, 5]", "[1, 2, 3]", "{ about = 5 }", "{ percent = 5 }", "{ }", "true", "nan", "{ least = 3, most = 1 }"]
)
def test_no_number(expect, text):
    with pytest.raises(ExpectationError, match=r"opcode_fetch.*cycles\.opcode_fetch"):
        expect(f"[cycles]\nopcode_fetch = {text}")


def test_both_ends_belong_to_a_range():
    assert 5 in Range(5, 9) and 9 in Range(5, 9) and 4.999 not in Range(5, 9) and 9.001 not in Range(5, 9)
    assert [Range(1, 1).text, Range(None, 2).text, Range(3, None).text, Range(1, 2.5).text] == ["1", "at most 2", "at least 3", "1 to 2.5"]


# --- the file ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("version = 2", "this version is not known (PATH, version): 1, or a newer strobewise"),
        ("[verdict]\nstate = 'fine'",
         "state is 'fine' (PATH, verdict.state): one of no_fault_found, fault, cannot_decide, or a list of them"),
        ("[verdict]\nsuspect = 'cpuu'", None),
        ("[lines]\nM1 = 'dead'", None),
        ("[lines]\nA = 'active'\nA3 = 'idle'", "A3 stands there twice (PATH, lines.A3): each line once, alone or in its bus"),
        ("[findings]\nallowed = ['no-such-rule']", None),
        ("[cycles]\nfetches = 3", None),
        ("[limits]\nclock = 3", None),
        ("[timing_ns]\n'M1 up' = 90", None),
        ("[[required]]\nname = 'x'", "the event says nothing (PATH, required[1].kind): kind, address, data, note or instruction"),
        ("[[required]]\nkind = 'io_read'\n[[required]]\naddress = 0x10000", None),
        ("[[forbidden]]\ninstruction = 'HALT'\nkind = 'io_read'", None),
        ("[digest]\ncycles = 'md5:1'", None),
        ("[captures]\nfiles = []", None),
        ("[verdict]\nstat = 'fault'", None),
        ("x = ", None),
    ],
)
def test_what_a_file_must_not_say(expect, tmp_path, text, message):
    with pytest.raises(ExpectationError) as caught:
        expect(text)
    said = str(caught.value).replace(str(tmp_path / "board.expect.toml"), "PATH")
    assert "PATH" in said and "\n" not in said
    if message is not None:
        assert re.fullmatch(re.escape(message), said), said


def test_paths_start_at_the_file(expect, tmp_path):
    made = expect("[capture]\nfiles = ['a.vcd']\nmachine = 'm.toml'")
    assert made.files == (tmp_path / "a.vcd",) and made.machine == tmp_path / "m.toml"


def test_what_the_caller_gives_stands_above_the_file(expect):
    made = expect("[capture]\nclock_hz = 1e6\nmap = { M1 = 'CH0', MREQ = 'CH1' }")
    options = options_of(made, Options(maps=("M1=CH5",), clock_hz=2e6))
    assert options.maps == ("MREQ=CH1", "M1=CH5") and options.clock_hz == 2e6


# --- checks -----------------------------------------------------------------------------------------------------------


def test_verdict_and_findings(expect):
    made = expect("[verdict]\nstate = 'no_fault_found'\nsuspect = 'none'\n[findings]\n[lines]\nM1 = 'active'\nMREQ = ['active', 'idle']")
    good = outcome(FULL, made)
    assert all(check.passed for check in good.values())
    bad = outcome(DEAD, made)
    assert not bad["verdict.state"].passed and bad["verdict.state"].seen == "fault" and bad["verdict.state"].where.startswith("from ")
    assert not bad["verdict.suspect"].passed and bad["verdict.suspect"].seen == "cpu"
    assert "findings.new.fetch-strobe-missing" in bad and not bad["findings.new.fetch-strobe-missing"].passed
    assert (bad["lines.M1"].expected, bad["lines.M1"].seen) == ("active", "stuck_low")
    assert bad["lines.MREQ"].passed


def test_a_known_finding_may_stay_and_a_required_one_must(expect):
    made = expect("[findings]\nallowed = ['fetch-strobe-missing']")
    assert all(check.passed for check in outcome(DEAD, made).values())
    made = expect("[findings]\nrequired = ['fetch-strobe-missing']")
    assert all(check.passed for check in outcome(DEAD, made).values())
    assert not outcome(FULL, made)["findings.required.fetch-strobe-missing"].passed


def test_counts_and_limits(expect):
    made = expect(
        "[cycles]\nopcode_fetch = 807\nmemory_read = { most = 389 }\n"
        "[limits]\nclock_hz = { about = 3_150_000, percent = 0.5 }\ninterrupts_per_second = 200\n"
        "longest_silence_us = { most = 0.1 }\nwait_states = 0"
    )
    found = outcome(FULL, made)
    assert found["cycles.opcode_fetch"].passed
    assert not found["cycles.memory_read"].passed and found["cycles.memory_read"].seen == "390"
    assert found["limits.clock_hz"].passed and found["limits.wait_states"].passed
    assert found["limits.interrupts_per_second"].seen == "cannot tell: 1 interrupt in the capture"
    assert not found["limits.interrupts_per_second"].passed and not found["limits.longest_silence_us"].passed
    assert found["limits.longest_silence_us"].where.startswith("from ")


def test_a_delay_is_judged_no_finer_than_a_sample(expect):
    seen = observe(FULL, Options())
    delay, sample = seen.timing_ns["M1 rise"], seen.uncertainty_ns
    assert 0 < delay < 200 and 41 < sample < 43  # 24 MHz
    for limit, passed in ((delay + 1, True), (delay - sample + 1, True), (delay - sample - 1, False)):
        assert outcome(FULL, expect(f"[timing_ns]\n'M1 rise' = {{ most = {limit} }}"))['timing_ns."M1 rise"'].passed is passed
    two = TRACES / "good" / "healthy-two.vcd"
    assert outcome(two, expect("[timing_ns]\n'M1 rise' = 90"))['timing_ns."M1 rise"'].seen.startswith("cannot tell")


def test_paging(expect):
    made = expect(f"[capture]\nmachine = '{PROFILE}'\n[paging.lodger]\ntriggers = {{ least = 1 }}\nunanswered = 0")
    assert all(check.passed for check in outcome(LODGER, made).values())
    silent = outcome(SILENT, made)
    assert silent["paging.lodger.triggers"].passed
    assert not silent["paging.lodger.unanswered"].passed and "fetch at 0x0058" in silent["paging.lodger.unanswered"].where
    other = expect("[paging.lodger]\ntriggers = 1")
    assert outcome(LODGER, other)["paging.lodger.triggers"].seen.startswith("cannot tell")


def test_events(expect):
    table = observe(FULL, Options())
    assert table.evidence.cycles["interrupt_acknowledge"] == 1
    made = expect(
        "[[required]]\nkind = 'interrupt_acknowledge'\ncount = 1\n"
        "[[required]]\nkind = 'opcode_fetch'\naddress = [0x0000, 0x3fff]\n"
        "[[required]]\nkind = 'opcode_fetch'\naddress = 0x0038\ndata = [0, 255]\n"
        "[[required]]\nkind = 'opcode_fetch'\naddress = 0xfedc\n"
        "[[forbidden]]\nkind = 'memory_write'\naddress = [0x0000, 0x2fff]\n"
        "[[forbidden]]\nkind = 'opcode_fetch'\n"
    )
    found = outcome(FULL, made)
    assert [found[f"required[{n}]"].passed for n in (1, 2, 3, 4)] == [True, True, True, False]
    assert found["required[4]"].expected == "opcode fetch at 0xfedc: at least 1 times" and found["required[4]"].seen == "0 times"
    assert found["forbidden[1]"].passed
    assert found["forbidden[2]"].seen == "807 times" and found["forbidden[2]"].where.startswith("from ")


def test_an_event_that_nobody_can_see_is_no_pass(expect):
    made = expect("[[forbidden]]\nkind = 'memory_write'\naddress = 0x0000")
    check = outcome(TRACES / "good" / "healthy-two.vcd", made)["forbidden[1]"]
    assert not check.passed and check.seen == "cannot tell: A0, A1, A2 and 13 more not captured"


def test_instructions(expect):
    made = expect(
        "[[required]]\ninstruction = 'ld a,*'\n[[forbidden]]\ninstruction = 'HALT'\n"
        "[[required]]\ninstruction = 'NEG'\n[[required]]\ninstruction = '*'\naddress = 0x0038\n"
    )
    found = outcome(FULL, made)
    assert found["required[1]"].passed and found["forbidden[1]"].passed and found["required[3]"].passed
    assert not found["required[2]"].passed
    halted = outcome(TRACES / "faults" / "halted-for-good" / "halted.vcd.gz", made)
    assert not halted["forbidden[1]"].passed


# --- recording --------------------------------------------------------------------------------------------------------


def test_what_is_recorded_passes_and_says_something(tmp_path):
    seen = observe(LODGER, Options(profile=load_profile(PROFILE)))
    path = tmp_path / "lodger.expect.toml"
    path.write_text(recorded([seen], [LODGER], machine=str(PROFILE)), encoding="utf-8")
    made = load_expectations(path)
    assert made.files == (LODGER,) and made.allowed == () and made.states == ("no_fault_found",)
    assert verify(LODGER, made, options_of(made)).passed
    failures = {check.name for check in verify(SILENT, made, options_of(made)).failures}
    assert {"verdict.state", "paging.lodger.unanswered"} <= failures
    assert made.lines["INT"] == ("active", "idle") and made.lines["M1"] == ("active",)


def test_exact_recording_has_a_digest_that_tells_streams_apart(tmp_path):
    path = tmp_path / "exact.expect.toml"
    path.write_text(recorded([observe(FULL, Options())], [FULL], exact=True), encoding="utf-8")
    made = load_expectations(path)
    assert verify(FULL, made, options_of(made)).passed
    assert "digest.cycles" in {check.name for check in verify(LODGER, made, options_of(made)).failures}


def test_delays_are_recorded_with_two_samples_and_a_little_to_spare():
    seen = observe(FULL, Options())
    twice = [replace(seen, timing_ns={"M1 rise": delay}, uncertainty_ns=sample) for delay, sample in ((60.2, 20.0), (71.0, 4.0))]
    assert tomllib.loads(recorded(twice, [FULL, FULL]))["timing_ns"] == {"M1 rise": {"most": 116}}
    assert "timing_ns" not in tomllib.loads(recorded([*twice, replace(seen, timing_ns={}, uncertainty_ns=None)], [FULL] * 3))


FETCH_ALONE = {"opcode_fetch": [33, 100]}


@pytest.mark.parametrize(
    ("counts", "halted", "shares"),
    [
        ((1000, 0, 0), 0, FETCH_ALONE), ((999, 0, 0), 0, None), ((1500, 0, 0), 501, None),
        ((950, 50, 0), 0, {"opcode_fetch": [31, 100], "memory_read": [1, 15], "order": ["opcode_fetch", "memory_read"]}),
        ((951, 49, 0), 0, {"opcode_fetch": [31, 100]}),  # less than five of a hundred
        ((800, 200, 0), 0, {"opcode_fetch": [26, 100], "memory_read": [6, 60], "order": ["opcode_fetch", "memory_read"]}),
        ((799, 201, 0), 0, {"opcode_fetch": [26, 100], "memory_read": [6, 61]}),  # not four times as often
        (
            (1050, 500, 250), 50,
            {"opcode_fetch": [19, 100], "memory_read": [9, 86], "memory_write": [4, 43], "order": ["opcode_fetch", "memory_write"]},
        ),
    ],
)  # fmt: skip
def test_shares_are_recorded_with_room_for_another_stretch_of_the_program(counts, halted, shares):
    seen = replace(observe(FULL, Options()), halted=halted)
    kinds = zip(("opcode_fetch", "memory_read", "memory_write"), counts, strict=True)
    seen.evidence.cycles = {**dict.fromkeys(seen.evidence.cycles, 0), **dict(kinds), "bus_granted": 5000}
    assert tomllib.loads(recorded([seen], [FULL])).get("shares") == shares


def test_limits_are_recorded_with_room_for_another_board():
    seen = replace(observe(FULL, Options()), interrupts_per_second=50.0, interrupts_unsure=0.01)
    evidence = seen.evidence
    evidence.clock.hz, evidence.longest_silence, evidence.longest_without_refresh = 4e6, Span(0, 0.003), Span(0, 0.0005)
    exact, loose = (tomllib.loads(recorded([seen], [FULL], exact=exact))["limits"] for exact in (True, False))
    rate, without_refresh = {"about": 50.0, "percent": 2}, "longest_without_refresh_us"
    assert exact == {
        "clock_hz": {"about": 4_000_000, "percent": 0.5}, "interrupts_per_second": rate, "longest_silence_us": {"most": 6000},
        without_refresh: {"most": 1000},
    }  # fmt: skip
    assert loose == {"clock_hz": {"about": 4_000_000, "percent": 6}, "interrupts_per_second": rate, without_refresh: {"most": 2000}}
    evidence.longest_without_refresh = Span(0, 0.0015)
    unsure = tomllib.loads(recorded([replace(seen, interrupts_unsure=0.031)], [FULL]))["limits"]
    assert unsure[without_refresh] == {"most": 3000} and unsure["interrupts_per_second"]["percent"] == 4
    slower = observe(FULL, Options())
    slower.evidence.clock.hz = 3e6
    assert tomllib.loads(recorded([seen, slower], [FULL, FULL]))["limits"]["clock_hz"] == pytest.approx([2.82e6, 4.24e6])


def test_the_cycles_of_the_very_same_captures_are_recorded_as_counted():
    seen, more = observe(FULL, Options()), observe(FULL, Options())
    more.evidence.cycles["memory_read"] += 7
    reads = seen.evidence.cycles["memory_read"]
    for observed, counted in (([seen], reads), ([seen, more], [reads, reads + 7])):
        cycles = tomllib.loads(recorded(observed, [FULL] * len(observed), exact=True))["cycles"]
        assert cycles["memory_read"] == counted and cycles["memory_write"] == seen.evidence.cycles["memory_write"]
        assert cycles["inferred_fetches"] == 0


def test_one_kind_of_cycle_is_in_no_order(tmp_path):
    quiet = replace(GENERIC, interrupt_period_t_states=None)
    fetches = observe(simulated_at(tmp_path, contents=((0, bytes(0x10000)),), machine=quiet), Options())
    shares = tomllib.loads(recorded([fetches], ["other.vcd"]))["shares"]
    assert "opcode_fetch" in shares and "order" not in shares


def test_two_captures_are_recorded_into_what_both_meet(tmp_path):
    both = [FULL, TRACES / "good" / "healthy-vectors.vcd.gz"]
    path = tmp_path / "both.expect.toml"
    path.write_text(recorded([observe(each, Options()) for each in both], both), encoding="utf-8")
    made = load_expectations(path)
    for each in both:
        assert verify(each, made, options_of(made)).failures == ()


def test_a_file_name_that_toml_cannot_hold():
    message = "^a name has bytes that are no UTF-8 text, TOML cannot hold it \\(--record\\): give it a name of UTF-8 text$"
    with pytest.raises(UsageError, match=message):
        recorded([observe(FULL, Options())], ["bad\udcff.vcd"])


def test_a_faulty_capture_is_recorded_as_such(tmp_path):
    text = recorded([observe(DEAD, Options())], [DEAD])
    data = tomllib.loads(text)
    assert data["verdict"] == {"state": "fault", "suspect": "cpu"} and "fetch-strobe-missing" in data["findings"]["required"]


def test_names_cannot_break_out_of_the_file():
    hostile = 'x"]\n[verdict]\nstate = "fault"\n#\x1b[2J\x00'
    data = tomllib.loads(recorded([observe(FULL, Options())], [hostile], machine=hostile, maps=[f"M1={hostile}"]))
    assert data["capture"]["files"] == [hostile] and data["capture"]["machine"] == hostile and data["capture"]["map"] == {"M1": hostile}
    assert data["verdict"]["state"] == "no_fault_found"


def test_the_digest_knows_no_batches(monkeypatch):
    from strobewise.cycles import engine

    whole = observe(FULL, Options()).digest
    monkeypatch.setattr(engine, "BATCH_REQUESTS", TRUST_GROUP)
    assert observe(FULL, Options()).digest == whole


# --- a recording holds for other captures of the same machine -----------------------------------------------------------

OTHERS = {
    "longer": {"duration_s": 0.006}, "shorter": {"duration_s": 0.001}, "later": {"start_s": 0.002}, "slower": {"sample_hz": 16_000_000},
    "faster": {"sample_hz": 100_000_000}, "other names": {"names": "slash"}, "another phase": {"seed": 9},
    "sixteen leads": {"lines": "sixteen"}, "eight leads": {"lines": "eight"}, "two leads": {"lines": "two"},
    "two leads, later": {"lines": "two", "start_s": 0.003}, "by the clock": {"clocked": "falling", "sample_hz": 100_000_000},
    "by the clock, rising": {"clocked": "rising", "sample_hz": 100_000_000, "start_s": 0.001},
}  # fmt: skip


@pytest.mark.parametrize(
    ("distances", "periods", "unsure"),
    [
        ((100, 100), 2, 0), ((100, 104), 2, 4), ((100, 200), 3, 0), ((100, 204, 100), 4, 4), ((100,), None, 0), ((100, 160), None, 0),
        ((100, 130), None, 0), ((100, 124), 2, 24), ((100, 200) * 4, 12, 0), ((100, 130) * 4, 8, 30),
    ],
)  # fmt: skip
def test_the_rate_of_interrupts_counts_those_that_were_not_answered(distances, periods, unsure):
    starts = [7 + sum(distances[:k]) for k in range(len(distances) + 1)]
    rate, share = interrupt_rate(starts, 1e-6)
    assert rate == (None if periods is None else pytest.approx(periods / (sum(distances) * 1e-6)))
    assert share == pytest.approx(unsure / sum(distances))


def test_a_rate_is_held_no_finer_than_the_capture_shows_it(expect):
    made = expect("[limits]\ninterrupts_per_second = [100, 110]")
    seen = observe(FULL, Options())

    def passes(rate, unsure):
        return check("x", made, replace(seen, interrupts_per_second=rate, interrupts_unsure=unsure)).passed

    assert passes(99, 0.02) and not passes(97, 0.02) and not passes(99, 0) and passes(112, 0.02) and not passes(113, 0.02)


def test_a_machine_that_halts_may_be_halted_all_the_time(tmp_path):
    """A program that ends in HALT, captured from its start and later: neither /HALT nor the shares say that anything is wrong."""
    code = bytes.fromhex("31 00 80 06 C8 21 00 40 77 23 7E 10 FB 76")  # LD SP / LD B / LD HL / LD (HL),A / INC HL / LD A,(HL) / DJNZ / HALT
    quiet = replace(GENERIC, interrupt_period_t_states=None)
    captures = []
    for name, lines, start in (("start", "full", 0.0), ("later", "full", 0.004), ("sixteen", "sixteen", 0.004)):
        captures.append(tmp_path / f"{name}.vcd")
        with open(captures[-1], "w", encoding="ascii") as out:
            simulate(Scenario(machine=quiet, contents=((0, code),)), lines=lines, start_s=start, duration_s=0.004).write_vcd(out)
    path = tmp_path / "halts.expect.toml"
    seen = observe(captures[0], Options())
    assert seen.halted > 100
    path.write_text(recorded([seen], ["start.vcd"]), encoding="utf-8")
    made = load_expectations(path)
    assert made.halts and "memory_write" in made.shares
    for each in captures:
        assert verify(each, made, options_of(made)).failures == ()


def test_ends_of_a_capture_and_its_rate_are_not_held_against_the_machine(recording, tmp_path):
    assert recording.cycles["unknown"] == Range(None, 2)
    coarse = verify(simulated_at(tmp_path, sample_hz=9_000_000), recording, options_of(recording))
    assert coarse.failures == () and "capture-too-coarse" in {f.rule for f in observe(tmp_path / "other.vcd", Options()).diagnosis.findings}
    strict = replace(recording, fewer_leads=False)
    assert "findings.new.capture-too-coarse" in {each.name for each in verify(tmp_path / "other.vcd", strict, options_of(strict)).failures}


def simulated_at(tmp_path, **changes):
    with open(tmp_path / "other.vcd", "w", encoding="ascii") as out:
        simulate(**changes).write_vcd(out)
    return tmp_path / "other.vcd"


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    folder = tmp_path_factory.mktemp("recording")
    capture = folder / "good.vcd"
    with open(capture, "w", encoding="ascii") as out:
        simulate(duration_s=0.003).write_vcd(out)
    path = folder / "good.expect.toml"
    path.write_text(recorded([observe(capture, Options())], [capture]), encoding="utf-8")
    return load_expectations(path)


def failures(recording, tmp_path, **changes):
    return verify(simulated_at(tmp_path, **changes), recording, options_of(recording)).failures


@pytest.mark.parametrize("changes", OTHERS.values(), ids=OTHERS)
def test_a_recording_holds_for_another_capture(recording, tmp_path, changes):
    assert failures(recording, tmp_path, **changes) == ()


@pytest.mark.parametrize("kind", ["dead-high", "rom-absent", "ram-bit-dead"])
def test_and_fails_a_machine_that_is_broken(recording, tmp_path, kind):
    values = {"dead-high": {"line": "M1"}, "rom-absent": {}, "ram-bit-dead": {"bit": 3, "start": 0x4000, "end": 0xFFFF}}[kind]
    assert failures(recording, tmp_path, faults=[Fault(kind, values)], duration_s=0.003)


def test_another_rom_is_noticed(recording, tmp_path):
    program = bytearray(simulate().scenario.demo("patrol"))
    program[1] ^= 0x04
    found = failures(recording, tmp_path, contents=((0, bytes(program)),), duration_s=0.0005)
    assert any(check.name == "digest.rom[1]" for check in found)


def test_a_rom_digest_hides_the_bytes_and_tells_them_apart():
    values = [-1] * 0x10000
    values[0x100:0x140] = range(0x40)
    digest = digest_of(0x100, values[0x100:0x140])
    assert len(digest.digits) == 0x40 and compare(digest, values) == (0x40, ())
    values[0x110:0x120] = [byte ^ 1 for byte in values[0x110:0x120]]
    compared, wrong = compare(digest, values)
    assert compared == 0x40 and len(wrong) >= 12 and set(wrong) <= set(range(0x110, 0x120))
    assert compare(digest_of(0x200, [-1] * 16), values) == (0, ())


def test_shares_and_their_order(expect):
    made = expect("[shares]\nopcode_fetch = [50, 70]\nmemory_write = { most = 5 }\norder = ['opcode_fetch', 'memory_read', 'memory_write']")
    found = outcome(FULL, made)
    assert found["shares.opcode_fetch"].passed and found["shares.order"].passed and not found["shares.memory_write"].passed
    assert not outcome(FULL, expect("[shares]\norder = ['memory_write', 'opcode_fetch']"))["shares.order"].passed
    two = outcome(TRACES / "good" / "healthy-two.vcd", expect("[shares]\nmemory_read = [0, 100]"))
    assert not two["shares.memory_read"].passed and two["shares.memory_read"].remark == "RD and WR tell this kind, and were not captured"


@pytest.mark.parametrize("text", ["digits = 'xyz'", "digits = ''", "digits = 'ab'\nstart = 0xFFFF", "start = 3"])
def test_what_a_rom_digest_must_not_say(expect, text):
    with pytest.raises(ExpectationError):
        expect("[[digest.rom]]\n" + (text if "start" in text else "start = 0\n" + text))


def test_the_first_of_an_event_is_told():
    """Where an expectation is broken, the user looks at the first time; later ones only count."""
    nop = next(each for each in operations(b"") if each.text == "NOP")
    events = [Event("idle", "required[0]", instruction="nop"), Event("idle low", "required[1]", instruction="N*", address=(0, 4))]
    found = [Seen(), Seen()]
    for start, address in ((10, 3), (20, 4), (30, 5)):
        _match(Step("instruction", start, start + 4, address, b"\x00", nop, 4, 4, 0, ""), events, found, 0.5)
    assert [(seen.count, seen.first_s) for seen in found] == [(3, 5.0), (2, 5.0)]
    blind = [Seen(cannot_tell="no data bus"), Seen()]
    _match(Step("instruction", 10, 14, 9, b"\x00", nop, 4, 4, 0, ""), events, blind, 0.5)
    assert [(seen.count, seen.first_s) for seen in blind] == [(0, None), (0, None)]


@pytest.mark.parametrize(
    ("answer_s", "t_s", "answered"),
    [(None, None, False), (None, 1e-6, False), (9.0, None, True), (4e-6, 1e-6, True), (9e-6, 1e-6, False)],
)
def test_a_device_answers_within_its_time_where_there_is_a_clock(answer_s, t_s, answered):
    assert _answered(Trigger(0.0, 0x38, True, answer_s, False), SimpleNamespace(within_t=4), t_s) is answered


@pytest.mark.parametrize(
    ("event", "missing"),
    [
        ({}, ""), ({"address": (0, 9)}, "A0, A1, A2 and 13 more not captured"), ({"data": (0, 9)}, "D0, D1, D2 and 5 more not captured"),
        ({"instruction": "HALT"}, "D0, D1, D2 and 5 more not captured"), ({"kind": "io_read"}, ""),
    ],
)  # fmt: skip
def test_what_an_event_cannot_be_told_without(event, missing):
    watch = _CycleWatch([Event("x", "required[1]", **event)])
    assert watch.attach(frozenset(("MREQ", "M1")), None, Options(), 1e-9).seen[0].cannot_tell == missing
    assert watch.attach(frozenset(("MREQ", *ADDRESS, *DATA)), None, Options(), 1e-9) is watch
