"""The map beside a capture, and maps and places of one of several captures: the same channel is another line in each."""

from __future__ import annotations

import json

import pytest

from conftest import TRACES, run_strobewise
from strobewise.archive.folder import find_captures
from strobewise.capture.channels.beside import map_text, parse_map, read_beside
from strobewise.diagnosis.facade import diagnose
from strobewise.errors import LineMapError
from strobewise.machine.faults import fault
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options, of_one_capture

LINES = ("MREQ", "M1", "RD", "RFSH")


def captured(path, lines=LINES, names="channels", **settings):
    with open(path, "w", encoding="ascii") as file:
        simulate(lines=lines, names=names, **settings).write_vcd(file)
    return path


def beside(path, lines=LINES, **more):
    (path.parent / f"{path.name}.map.toml").write_text(map_text([(line, f"CH{n}") for n, line in enumerate(lines)], **more))
    return path


def rules_of(said):
    return {(finding.rule, finding.lines) for finding in said.findings if finding.severity == "fault"}


def test_each_capture_has_its_own_map(tmp_path):
    other = ("CLK", "MREQ", "RFSH", "M1")
    faults = [fault("dead-high", line="RFSH")]
    one = beside(captured(tmp_path / "one.vcd", faults=faults))
    two = beside(captured(tmp_path / "two.vcd", other, faults=faults), other)
    said = diagnose([one, two])
    assert said.evidence.captured == {*LINES, "CLK"}
    assert rules_of(said) == {("refresh-strobe-missing", ("RFSH",))}
    assert [examined.channels.map_file for examined in said.captures] == [f"{one}.map.toml", f"{two}.map.toml"]


def test_the_command_line_wins_line_by_line(tmp_path):
    wrong = ("MREQ", "RD", "M1", "RFSH")  # M1 and RD exchanged
    path = beside(captured(tmp_path / "one.vcd"), wrong)
    said = diagnose([path], Options(("M1=CH1", "RD=CH2")))
    assert said.captures[0].channels.channels == {"MREQ": "CH0", "M1": "CH1", "RD": "CH2", "RFSH": "CH3"}
    assert said.verdict.state == "no_fault_found"


def test_a_channel_given_elsewhere_is_no_more_the_files_business(tmp_path):
    path = beside(captured(tmp_path / "one.vcd"))
    channels = diagnose([path], Options(("WAIT=CH1",))).captures[0].channels.channels
    assert channels["WAIT"] == "CH1" and "M1" not in channels


def test_a_map_for_one_capture_leaves_the_others_alone(tmp_path):
    other = ("M1", "MREQ", "RFSH", "RD")
    one, two = captured(tmp_path / "one.vcd"), captured(tmp_path / "two.vcd", other)
    maps = [f"{line}=CH{n}" for n, line in enumerate(LINES)] + [f"two.vcd::{line}=CH{n}" for n, line in enumerate(other)]
    options = Options(tuple(maps), own_probes=((str(two), "M1", "connector"),))
    said = diagnose([one, two], options)
    assert [examined.channels.channels["M1"] for examined in said.captures] == ["CH1", "CH0"]
    assert [dict(examined.evidence.probe_at) for examined in said.captures] == [{}, {"M1": "connector"}]
    assert said.verdict.state == "no_fault_found"


@pytest.mark.parametrize(
    ("text", "file", "rest"),
    [
        ("M1=CH0", None, "M1=CH0"), ("M1=top::m1", None, "M1=top::m1"), ("a.vcd::M1=CH0", "a.vcd", "M1=CH0"),
        ("a=b::c.vcd::/M1=top::m1", "a=b::c.vcd", "/M1=top::m1"), ("x/y.vcd::A[3]=!CH0", "x/y.vcd", "A[3]=!CH0"),
    ],
)  # fmt: skip
def test_what_stands_before_the_colons_is_a_file_only_where_a_line_follows(text, file, rest):
    assert of_one_capture(text) == (file, rest)


@pytest.mark.parametrize("command", [("diagnose",), ("hookup", "--after")], ids=["diagnose", "hookup"])
@pytest.mark.parametrize("given", [("--map", "other.vcd::M1=CH0"), ("--probe-at", "other.vcd::M1=connector")], ids=["map", "place"])
def test_a_file_that_is_none_of_the_captures_is_refused(command, given, tmp_path):
    path = captured(tmp_path / "one.vcd")
    done = run_strobewise(*command, path, *given)
    assert done.returncode == 2
    assert done.stderr.decode() == (
        f"strobewise: error: 'other.vcd' is none of the captures (--map or --probe-at): the captures are {path}\n"
    )


def test_the_same_line_at_the_cpu_and_at_the_connector_names_the_way_between(tmp_path):
    open_contact = [fault("dead-high", line="M1", at="connector")]
    one = captured(tmp_path / "cpu.vcd", names="plain", faults=open_contact)
    two = captured(tmp_path / "port.vcd", names="plain", faults=open_contact, probe_at={"M1": "connector"})
    said = diagnose([one, two], Options(own_probes=((str(two), "M1", "connector"),)))
    assert said.verdict.suspects[0].suspect == "connection" and said.verdict.suspects[0].confidence >= 0.75
    assert "good at the CPU and not at the connector" in said.verdict.headline
    apart = diagnose([one, two])  # nobody says where the leads sat: it may as well come and go
    assert apart.verdict.suspects[0].confidence < 0.6


def test_a_strobe_dead_at_both_places_is_not_the_way_between(tmp_path):
    dead = [fault("dead-low", line="M1", at="cpu")]
    one = captured(tmp_path / "cpu.vcd", names="plain", faults=dead)
    two = captured(tmp_path / "port.vcd", names="plain", faults=dead, probe_at={"M1": "connector"})
    said = diagnose([two, one], Options(own_probes=((str(two), "M1", "connector"),)))
    assert said.verdict.suspects[0].suspect == "cpu"


def test_an_output_that_is_right_further_on_has_a_bad_lead_at_the_cpu(tmp_path):
    one = captured(tmp_path / "cpu.vcd", names="plain", faults=[fault("dead-high", line="M1", at="probe")])
    two = captured(tmp_path / "port.vcd", names="plain", seed=4)
    said = diagnose([one, two], Options(own_probes=((str(two), "M1", "connector"),)))
    assert said.verdict.suspects[0].suspect == "probe_or_capture"


def test_a_guess_is_written_on_request_alone_and_checked_each_time(tmp_path):
    lines = ("MREQ", "M1", "RD", "RFSH", "CLK", "WR")
    path = captured(tmp_path / "one.vcd", lines, duration_s=0.006)
    assert run_strobewise("diagnose", path).returncode in (0, 3) and read_beside(str(path)) is None
    assert run_strobewise("diagnose", path, "--write-map").returncode in (0, 3)
    guess = read_beside(str(path))
    assert guess is not None and guess.guessed and dict(guess.pairs)["M1"] == "CH1"
    said = diagnose([path])
    assert said.captures[0].channels.guessed and said.evidence.identified is not None and said.evidence.unlabelled
    swapped = {**dict(guess.pairs), "M1": "CH2", "RD": "CH1"}
    (tmp_path / "one.vcd.map.toml").write_text(map_text(swapped.items(), guessed=True))
    again = diagnose([path])
    assert again.captures[0].channels.channels["M1"] == "CH1"  # what the channels do stands against the guess
    assert any("is set aside" in text for text in again.evidence.warnings)


def test_a_plan_is_written_as_the_map_of_the_capture_to_come(tmp_path):
    done = run_strobewise("hookup", "--channels", "4", "--symptom", "dead", "--write-map", "boot.vcd", "--json", "-", cwd=tmp_path)
    planned = [lead["line"] for lead in json.loads(done.stdout)["leads"]]
    assert list(read_beside(str(tmp_path / "boot.vcd")).pairs) == [(line, f"CH{n}") for n, line in enumerate(planned)]
    captured(tmp_path / "boot.vcd", planned)
    assert set(diagnose([tmp_path / "boot.vcd"]).captures[0].channels.channels) == set(planned)


def test_no_output_replaces_a_map(tmp_path):
    path = beside(captured(tmp_path / "one.vcd"))
    done = run_strobewise("diagnose", path, "--json", f"{path}.map.toml")
    assert done.returncode == 2 and b"would replace the input" in done.stderr


def test_the_report_says_which_map_was_used(tmp_path):
    path = beside(captured(tmp_path / "one.vcd"), probe_at={"M1": "connector"})
    text = run_strobewise("diagnose", path.name, cwd=tmp_path).stdout.decode()
    assert "by one.vcd.map.toml" in " ".join(text.split()) and "leads at the connector: /M1" in text
    said = json.loads(run_strobewise("diagnose", path.name, "--json", "-", cwd=tmp_path).stdout)["capture"]
    assert (said["map_file"], said["map_guessed"], said["probe_at"]) == ("one.vcd.map.toml", False, {"M1": "connector"})


def test_each_line_says_who_named_its_channel_on_every_report(tmp_path):
    """Terminal, Markdown, page and comparison; a capture whose own names say all needs no word of it."""
    two = ("M1", "MREQ")
    path = beside(captured(tmp_path / "one.vcd", two), two)
    page, sheet, both = tmp_path / "page.html", tmp_path / "sheet.md", tmp_path / "both.html"
    (tmp_path / "mine.toml").write_text('[map]\nMREQ = "CH1"\n')
    ways = ([], ["--map", "M1=CH0"], ["--map-file", "mine.toml"], ["--map", "M1=none", "--map", "MREQ=none"])
    wanted = (
        "/M1, /MREQ by one.vcd.map.toml", "/MREQ by one.vcd.map.toml; /M1 by --map", "/M1 by one.vcd.map.toml; /MREQ by mine.toml",
        "hannels named by what they do, which is a guess",
    )  # fmt: skip
    for options, words in zip(ways, wanted, strict=True):
        text = run_strobewise("diagnose", path, *options, "--html", page, "--markdown", sheet, cwd=tmp_path).stdout.decode()
        for shown in (text, page.read_text(), sheet.read_text().replace("\\", "")):
            assert words in " ".join(shown.split()), options
    plain = captured(tmp_path / "two.vcd", two)
    run_strobewise("compare", path, plain, "--map", "two.vcd::M1=CH0", "--map", "two.vcd::MREQ=CH1", "--html", both)
    assert "by one.vcd.map.toml" in both.read_text() and "/M1, /MREQ by --map" in both.read_text()
    told = run_strobewise("compare", path, plain, "--map", "two.vcd::M1=CH0", "--map", "two.vcd::MREQ=CH1").stdout.decode()
    assert "/M1, /MREQ by --map" in told
    named = run_strobewise("diagnose", TRACES / "good" / "healthy-two.vcd").stdout.decode()
    assert "channels named" not in named


def test_a_survey_looks_again_when_the_map_changes(tmp_path):
    path = beside(captured(tmp_path / "one.vcd"))
    (before,) = find_captures(str(tmp_path))
    beside(path, ("M1", "MREQ", "RD", "RFSH"))
    (after,) = find_captures(str(tmp_path))
    assert before.map_digest != after.map_digest


@pytest.mark.parametrize(
    ("document", "message"),
    [
        ({"maps": {}}, "unknown key 'maps' (x): one of guessed, map, probe_at"),
        ({"map": {"M1": 3}}, "the entry 'M1' in [map] must be a text in quotes, not 3 (x): "),
        ({"probe_at": {"M1": "board"}}, "the lead of 'M1' cannot sit at 'board' (x): one of cpu, connector"),
        ({"guessed": "yes"}, "guessed is 'yes' (x): true or false"),
    ],
)
def test_a_map_that_says_nonsense_is_refused(document, message):
    with pytest.raises(LineMapError) as error:
        parse_map(document, "x")
    assert str(error.value).startswith(message)


def test_what_is_written_reads_back():
    import tomllib

    pairs, places = [("M1", "CH0"), ("A[3]", 'odd "name"'), ("ROMDIS", "top.x#2")], {"M1": "connector"}
    made = parse_map(tomllib.loads(map_text(pairs, places, guessed=True)), "x")
    assert (list(made.pairs), dict(made.probe_at), made.guessed) == (pairs, places, True)
