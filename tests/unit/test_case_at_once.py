"""Two programs that change one case at the same time: each entry of both is kept."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import pytest

from conftest import TRACES
from strobewise.case import store
from strobewise.case.experience import NO_EXPERIENCE
from strobewise.case.records import Answer
from strobewise.case.store import add_answer, add_capture, close_case, new_case, open_case, withdraw
from strobewise.errors import UsageError
from strobewise.files import writing
from strobewise.files.writing import claimed
from strobewise_cli.page_server.desk import Beginning, Desk

EACH = 10
DEAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd"
ANSWERS = """
import sys
from strobewise.case.records import Answer
from strobewise.case.store import add_answer, open_case
print(flush=True)
sys.stdin.readline()
for at in range({each}):
    add_answer(open_case(sys.argv[1]), Answer("note"), f"{{sys.argv[2]}} {{at}}")
"""
CAPTURES = """
import sys
from strobewise.case.store import add_capture, open_case
print(flush=True)
sys.stdin.readline()
for at in range({each}):
    add_capture(open_case(sys.argv[1]), sys.argv[3], note=f"{{sys.argv[2]}} {{at}}", name="same.vcd")
"""

BEGIN = "import sys; from strobewise_cli.main import main; sys.exit(main())"


@pytest.fixture
def case(tmp_path):
    return new_case(tmp_path / "mine", symptom="dead")


def begun(code, case, name):
    return subprocess.Popen(
        [sys.executable, "-c", code.format(each=EACH), str(case.folder), name, str(DEAD)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )  # fmt: skip


def let_go(*processes, meanwhile=lambda: None):
    """Let programs begin that have loaded all they need, and wait for their ends."""
    for process in processes:
        process.stdout.readline()
    for process in processes:
        process.stdin.write(b"go\n")
        process.stdin.flush()
    meanwhile()
    for process in processes:
        _, said = process.communicate(timeout=120)
        assert process.returncode == 0, said.decode()


def notes(case):
    again = open_case(case.folder)
    assert [item.number for item in again.items] == list(range(1, len(again.items) + 1))
    return sorted(item.note for item in again.items)


def expected(*names):
    return sorted(f"{name} {at}" for name in names for at in range(EACH))


def test_the_answers_of_two_programs_are_all_kept(case):
    let_go(begun(ANSWERS, case, "left"), begun(ANSWERS, case, "right"))
    assert notes(case) == expected("left", "right")


def test_the_captures_of_two_programs_are_all_kept(case):
    let_go(begun(CAPTURES, case, "left"), begun(CAPTURES, case, "right"))
    assert notes(case) == expected("left", "right")
    assert {path.name for path in (case.folder / "captures").glob("*.vcd")} == {f"{at}-same.vcd" for at in range(1, 2 * EACH + 1)}


def test_the_page_and_a_program_lose_nothing(case):
    desk = Desk(case.folder, Beginning(None, 8), NO_EXPERIENCE)
    other = begun(ANSWERS, case, "command")

    def on_the_page():
        for at in range(EACH):
            desk.answer({"kind": "note", "note": f"page {at}"})

    page = threading.Thread(target=on_the_page)
    let_go(other, meanwhile=page.start)
    page.join()
    assert notes(case) == expected("command", "page")


def test_a_change_begins_from_what_stands_there_by_now(case):
    add_answer(case, Answer("note"), "first")
    later = add_answer(case, Answer("note"), "second")
    add_capture(case, DEAD, note="third")
    assert [item.note for item in withdraw(later, 3, "wrong clip").items] == ["first", "second", "third"]
    assert notes(case) == ["first", "second", "third"]


def test_a_case_that_changed_since_it_was_judged_is_not_closed(case):
    add_answer(case, Answer("replaced", "cpu"))
    with pytest.raises(UsageError, match="the case has been changed meanwhile"):
        close_case(case, "cpu", "U1", proven=True)
    now = open_case(case.folder)
    assert now.closed is None
    close_case(now, "cpu", "U1", proven=True)
    with pytest.raises(UsageError, match="the case is closed"):
        add_answer(case, Answer("note"), "late")


def test_who_waits_too_long_is_told_and_nothing_is_changed(case, monkeypatch):
    monkeypatch.setattr(store, "_WAIT_S", 0.05)
    with claimed(str(case.folder)), pytest.raises(UsageError, match="another run is writing there"):
        add_answer(case, Answer("note"), "late")
    assert notes(case) == []


def test_a_system_without_locks_is_served(case, monkeypatch):
    monkeypatch.setattr(writing, "_lock_handle", lambda folder: None)
    add_answer(case, Answer("note"), "alone")
    assert notes(case) == ["alone"]


def test_a_second_case_does_not_take_the_place_of_one_that_was_just_begun(tmp_path):
    began = [
        subprocess.Popen(
            [sys.executable, "-c", BEGIN, "case", "new", str(tmp_path / "new")], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )
        for _ in range(2)
    ]
    said = [each.communicate(timeout=120)[1] for each in began]
    assert sorted(each.returncode for each in began) == [0, 2]
    assert b"there is a case already" in b"".join(said) and Path(tmp_path, "new", "case.toml").is_file()
