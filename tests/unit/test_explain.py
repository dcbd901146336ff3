"""The explanation of every rule, and that its picture shows the fault which the rule finds."""

from __future__ import annotations

import argparse
import io
import re

import pytest

from conftest import run_strobewise
from strobewise.bus.lines import MASK
from strobewise.errors import UsageError
from strobewise.machine import LINE_SETS, simulate
from strobewise.profile.machine import load_profile, shipped_profiles
from strobewise.rules import CATALOGUE, find_rule
from strobewise.rules.base import ids
from strobewise_cli.commands import explain
from strobewise_cli.render.explain_pictures import MACHINES, changes_of, faults_of, faulty, healthy, picture_of
from strobewise_cli.render.explain_text import drawings, facts, print_rule
from strobewise_cli.render.phrases import names_text
from strobewise_cli.render.waveform_text import COLUMNS_MAX, LABEL, Mark, Stretch, columns_for, draw

RULES = [pytest.param(rule, id=rule.id) for rule in CATALOGUE]
#: Rules for which no single moment shows the fault.
WITHOUT_FAULTY_PICTURE = {"unlabelled-channels", "capture-damaged", "clock-pauses"}


def call(*arguments: str) -> int:
    parser = argparse.ArgumentParser()
    explain.add_parser(parser.add_subparsers())
    args = parser.parse_args(["explain", *arguments])
    return args.run(args)


def test_a_waveform_row_by_row():
    m1 = MASK["M1"]
    stretch = Stretch([0, 10, 30], [m1, 0, m1], 0, 10, 4, [Mark(0, "opcode_fetch", 4)])
    assert columns_for(4) == 6
    assert draw(stretch, ["M1"]) == [
        "        |fetch",
        "        T1    T2    T3    T4",
        "/M1     ‾‾‾‾‾\\___________/‾‾‾‾‾‾",
    ]


def test_a_pulse_shorter_than_a_column_still_shows():
    m1 = MASK["M1"]
    stretch = Stretch([0, 12.0, 12.5], [m1, 0, m1], 0, 10, 3)
    assert draw(stretch, ["M1"]) == ["/M1     ‾‾‾‾‾‾‾|‾‾‾‾‾‾‾‾‾‾"]


def test_bus_rows_show_values():
    stretch = Stretch([0, 20], [0x1234 << 16, 0xABCD << 16], 0, 10, 4)
    assert draw(stretch, ["A"]) == ["A       |   1234    |   ABCD"]


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_is_explained_within_a_terminal(rule):
    out = io.StringIO()
    print_rule(rule, out)
    text = out.getvalue()
    assert rule.id in text and rule.title in text and rule.looks_for.split()[0].lower() in text.lower()
    assert max(map(len, text.splitlines())) <= 80
    assert {"looks for", "needs", "can blame", "suspects", "causes", "next", "source"} <= {heading for heading, _ in facts(rule)}
    for _, rows in drawings(rule):
        assert all(len(row) <= COLUMNS_MAX + LABEL for row in rows)


@pytest.mark.parametrize("rule", RULES)
def test_the_faulty_picture_differs_from_the_healthy_one(rule):
    picture = picture_of(rule)
    bad = faulty(picture)
    if rule.id in WITHOUT_FAULTY_PICTURE or rule.picture is None:
        assert bad is None
        return
    good = healthy(picture)
    assert bad is not None and bad.told
    assert draw(bad.stretch, bad.lines) != draw(good.stretch, good.lines)


def test_a_picture_changes_what_it_says_it_changes_and_nothing_else():
    pictures = [picture_of(rule) for rule in CATALOGUE]
    for key, is_so in (
        ("pull_ups", lambda picture: not picture.pull_ups),
        ("sample_hz", lambda picture: picture.sample_hz is not None),
        ("contents", lambda picture: bool(picture.other_program)),
    ):
        changed = [key in changes_of(picture) for picture in pictures]
        assert changed == [is_so(picture) for picture in pictures] and any(changed) and not all(changed), key


#: Rules whose pictured fault the demo program makes the rule report (by another picture where the same fault derails it first).
TRIPPED = sorted(
    ids(lambda each: each.picture is not None)
    - {
        "reads-all-alike", "operands-contradicted", "program-misread", "leads-crossed", "written-byte-contradicted",
        "address-contradicted", "clock-inverted", "leads-swapped",  # tested with the rules themselves; their faults have several names
        "data-input-contradicted",  # the demo program seldom makes an address of a byte with that bit set
        "went-silent", "requests-without-fetch", "io-request-conflict",  # the pictured fault has a better name when all is captured
        "halted-for-good", "reads-all-00", "bus-request-held",  # the picture changes the program
        "no-requests", "spikes", "clock-jitter", "interrupt-held", "address-line-stuck", "address-line-unsteady",
        "rom-content", "reads-unsteady", "nmi-held", "nmi-not-answered", "clock-off-frequency",  # need --rom, --clock or a longer capture
        "paging-not-triggered", "paging-device-silent", "paging-not-released", "rom-disable-not-obeyed",  # need a profile
    }
)  # fmt: skip


@pytest.mark.parametrize("rule", TRIPPED)
def test_the_pictured_fault_trips_the_rule(rule, tmp_path):
    from strobewise.diagnosis.facade import diagnose

    picture = find_rule(rule).picture
    run = simulate(
        lines=LINE_SETS["full"], faults=faults_of(picture, 0.002), duration_s=0.004, **{**MACHINES[picture.machine], **changes_of(picture)}
    )
    path = tmp_path / "faulty.vcd"
    with path.open("w") as file:
        run.write_vcd(file)
    assert rule in {finding.rule for finding in diagnose([path]).findings}


def test_names_are_joined_like_a_sentence():
    assert names_text(["M1", "MREQ"]) == "/M1 and /MREQ"
    assert names_text(["MREQ", *[f"A{i}" for i in range(16)]]) == "/MREQ and A0-A15"
    assert names_text(["ROM"]) == "the ROM"
    assert names_text([]) == ""


def test_the_list_names_every_rule(capsys):
    assert call() == 0
    out = capsys.readouterr().out
    assert all(rule.id in out for rule in CATALOGUE)


def test_one_rule(capsys):
    assert call("fetch-strobe-missing") == 0
    out = capsys.readouterr().out
    assert "Healthy" in out and "Faulty, simulated: dead-low (line M1)" in out and "pin 27" in out


def test_an_unknown_rule_is_one_clear_line():
    near = r"^no rule is called 'fetch-strobe' \(RULE\): perhaps .*fetch-strobe-missing.*; strobewise explain lists them$"
    with pytest.raises(UsageError, match=near):
        call("fetch-strobe")
    with pytest.raises(UsageError, match=r"^no rule is called 'zzzzz' \(RULE\): strobewise explain lists them$"):
        call("zzzzz")


@pytest.mark.parametrize("name", shipped_profiles())
def test_a_generic_profile_is_printed(name, tmp_path):
    done = run_strobewise("explain", name)
    assert (done.returncode, done.stderr) == (0, b"")
    path = tmp_path / "mine.toml"
    path.write_bytes(done.stdout)
    assert load_profile(path).memory


def test_every_comment_in_the_profile_to_start_from_is_a_key_that_it_may_have(tmp_path):
    text = run_strobewise("explain", "rom16-ram48").stdout.decode()
    (tmp_path / "monitor.rom").write_bytes(bytes(0x4000))
    path = tmp_path / "mine.toml"
    path.write_text(re.sub(r"^# (?=[a-z_]+ *=|\[)", "", text, flags=re.MULTILINE))
    whole = load_profile(path)
    assert whole.clock_hz and whole.interrupt_period_t_states and whole.paging and whole.lines
    assert whole.memory[0].file and whole.memory[0].chips
