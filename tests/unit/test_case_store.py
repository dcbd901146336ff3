"""The folder of a case: plain files, written whole, and nothing ever taken off the sheet."""

from __future__ import annotations

import zipfile
from io import BytesIO

import pytest

from conftest import TRACES, run_strobewise
from strobewise.capture.channels.beside import read_beside
from strobewise.case.bundle import bundle
from strobewise.case.records import Answer
from strobewise.case.sheet import CaseError
from strobewise.case.state import examined_capture
from strobewise.case.store import add_answer, add_capture, close_case, new_case, open_case, safe_name, withdraw
from strobewise.errors import CaptureError, UsageError

DEAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd"


@pytest.fixture
def case(tmp_path):
    return new_case(tmp_path / "mine", symptom="dead", machine="the grey one")


def test_what_was_put_in_is_there_again(case):
    made = add_capture(case, DEAD, maps=[("M1", "m1")], probe_at={"M1": "connector"}, note="cold\n at  first", minutes_on=2.5)
    made = add_answer(made, Answer("volts", "m1", 0.4, "connector"), note="with the old meter")
    made = withdraw(made, 1, "wrong machine")
    made = close_case(made, "cpu", "U1", proven=True, rules=("fetch-strobe-missing",))
    again = open_case(case.folder)
    assert again == made
    capture, answer = again.items
    assert (capture.note, capture.minutes_on, capture.withdrawn) == ("cold at first", 2.5, "wrong machine")
    assert answer.answer == Answer("volts", "M1", 0.4, "connector") and again.captures == ()
    assert read_beside(str(again.path(capture))).probe_at == {"M1": "connector"}


def test_a_folder_with_a_case_takes_no_second_one(case):
    with pytest.raises(UsageError, match="there is a case already"):
        new_case(case.folder)
    with pytest.raises(UsageError, match=r"^there is no case \("):
        open_case(case.folder.parent)


def test_a_capture_that_cannot_be_read_leaves_nothing_behind(case, tmp_path):
    (tmp_path / "bad.vcd").write_text("$timescale 25 ns $end\n")
    before = (case.folder / "case.toml").read_bytes()
    with pytest.raises(CaptureError):
        add_capture(case, tmp_path / "bad.vcd", maps=[("M1", "m1")], read=examined_capture)
    assert list((case.folder / "captures").iterdir()) == [] and (case.folder / "case.toml").read_bytes() == before


def test_a_map_that_does_not_fit_leaves_nothing_behind(case):
    done = run_strobewise("case", "add", case.folder, DEAD, "--map", "M1=CH9")
    assert done.returncode == 2 and b"the capture has no channel 'CH9'" in done.stderr
    assert list((case.folder / "captures").iterdir()) == []


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("boot.vcd", "boot.vcd"), ("../../etc/passwd", "passwd"), ("a b\n.vcd.gz", "a-b-.vcd.gz"),
        ("..", "capture.vcd"), (".hidden", "hidden"),
        ("C:\\x\\y.vcd", "y.vcd"), ("x" * 300 + ".vcd", "x" * 76 + ".vcd"), ("\u202evcd.exe", "vcd.exe"),
    ],
)  # fmt: skip
def test_names_of_files_are_never_trusted(name, kept):
    assert safe_name(name) == kept


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (Answer("volts", "Q7", 1.0), "'Q7' is no line"), (Answer("volts", "M1"), "no value"),
        (Answer("replaced", "fridge"), "'fridge' is no part"),
        (Answer("pulses", "M1"), "no value"), (Answer("driven", "rom"), "no value"), (Answer("readout"), "no value"),
        (Answer("between", "A11", 0.4), "'A11' is no pair of lines"), (Answer("between", "A11-A11", 0.4), "is no pair of lines"),
        (Answer("between", "A11-Q7", 0.4), "'Q7' is no line"),
    ],
)  # fmt: skip
def test_an_answer_that_makes_no_sense_is_refused(case, answer, message):
    with pytest.raises(UsageError, match=message):
        add_answer(case, answer)
    assert open_case(case.folder).items == ()


def test_a_chip_is_a_part_of_its_memory(tmp_path):
    case = new_case(tmp_path / "mine", TRACES / "machines" / "dunlin.toml")
    case = add_answer(case, Answer("replaced", "U14"))
    assert case.items[0].answer.part == "ram"
    assert open_case(case.folder).profile.name == "Dunlin"


def test_what_is_withdrawn_needs_a_reason_and_is_withdrawn_once(case):
    case = add_answer(case, Answer("note"), "hello")
    with pytest.raises(UsageError, match="no reason"):
        withdraw(case, 1, " \n")
    with pytest.raises(UsageError, match="the sheet has no entry 2"):
        withdraw(case, 2, "x")
    case = withdraw(case, 1, "x")
    with pytest.raises(UsageError, match="withdrawn already"):
        withdraw(case, 1, "y")


def test_a_closed_case_takes_nothing_more(case):
    closed = close_case(case, "cpu", "U1", proven=False)
    with pytest.raises(UsageError, match="the case is closed"):
        add_answer(closed, Answer("supply", "", 5.0))


@pytest.mark.parametrize(
    ("was", "now", "message"),
    [
        ("version = 1", "version = 2", "version is 2"), ('symptom = "dead"', "", "symptom is missing"),
        ("leads = 8", "leads = 8\nx = 1", "unknown key 'x'"),
        ('file = "captures/1-m1-dead-two.vcd"', 'file = "captures/../../x.vcd"', "file is 'captures/../../x.vcd'"),
        ("number = 1", "number = 7", "number is 7"),
    ],
)  # fmt: skip
def test_a_sheet_that_says_nonsense_is_refused(case, was, now, message):
    add_capture(case, DEAD)
    sheet = case.folder / "case.toml"
    text = sheet.read_text()
    assert was in text
    sheet.write_text(text.replace(was, now, 1))
    with pytest.raises(CaseError, match=message):
        open_case(case.folder)


def test_a_bundle_holds_digests_in_place_of_rom_contents(tmp_path):
    secret = bytes(range(256)) * 16
    (tmp_path / "secret.rom").write_bytes(secret)
    (tmp_path / "m.toml").write_text('[[memory]]\nkind = "rom"\nstart = 0\nend = 0x0FFF\nfile = "secret.rom"\n')
    case = add_capture(new_case(tmp_path / "mine", tmp_path / "m.toml"), DEAD, maps=[("M1", "m1")])
    assert open_case(case.folder).profile.memory[0].contents == secret
    packed = bundle(case)
    with zipfile.ZipFile(BytesIO(packed)) as archive:
        names = set(archive.namelist())
        captures = {"captures/1-m1-dead-two.vcd", "captures/1-m1-dead-two.vcd.map.toml"}
        assert names == {"README.txt", "case.toml", "machine/profile.toml", *captures}
        assert all(secret[:64] not in archive.read(name) for name in names)
        archive.extractall(tmp_path / "theirs")
    theirs = open_case(tmp_path / "theirs")
    assert theirs.items == case.items and theirs.profile.memory[0].contents is None
    assert "SHA-256 " in (tmp_path / "theirs" / "machine" / "profile.toml").read_text()
    assert bundle(case) == packed


def test_a_capture_of_which_no_line_is_known_is_no_entry(tmp_path):
    """It would say nothing, and its channels would be guessed again each time."""
    from strobewise.case.state import capture_of_lines
    from strobewise.machine import fault, simulate

    case, path = new_case(tmp_path / "case"), tmp_path / "x.vcd"
    with path.open("w", encoding="ascii") as file:
        simulate(lines=("M1",), names="channels", duration_s=0.002, faults=[fault("dead-low", line="M1")]).write_vcd(file)
    with pytest.raises(UsageError, match=r"which channel is which line.* \(x\.vcd\): say it, as --map"):
        add_capture(case, path, read=capture_of_lines)
    assert open_case(tmp_path / "case").items == () and not list((tmp_path / "case" / "captures").iterdir())
    assert add_capture(case, path, maps=(("M1", "CH0"),), read=capture_of_lines).items
