"""A packed capture that unpacks to more than anybody can wait for is refused before the page waits for it."""

from __future__ import annotations

import gzip
import threading
import zipfile
from pathlib import Path

import pytest

from conftest import TRACES, require_component
from strobewise.errors import UsageError


@pytest.fixture
def swollen():
    import importlib.util

    require_component("starlette", importlib.util.find_spec("starlette"), 'pip install "strobewise[bench]"')
    from strobewise_cli.page_server import swollen

    return swollen


@pytest.mark.parametrize("packed", ["gzip", "members", "zip"])
def test_what_unpacks_to_too_much_is_refused(swollen, tmp_path, packed):
    path = tmp_path / "x.vcd.gz"
    if packed == "zip":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("logic-1-1", bytes(3_000_000))
    else:
        path.write_bytes(b"".join(gzip.compress(bytes(1_000_000 * times)) for times in ((3,) if packed == "gzip" else (1, 2))))
    assert path.stat().st_size < 20_000
    swollen.refuse_swollen(str(path), 3_000_000)
    with pytest.raises(UsageError, match=r"unpacks to more than 0\.003 GB"):
        swollen.refuse_swollen(str(path), 2_999_999)


def test_what_is_not_packed_is_as_large_as_it_is(swollen, tmp_path):
    (tmp_path / "x.vcd").write_bytes(bytes(5000))
    swollen.refuse_swollen(str(tmp_path / "x.vcd"), 10)
    swollen.refuse_swollen(str(TRACES / "good" / "healthy-full.vcd.gz"))


def test_a_look_at_the_case_does_not_wait_for_a_long_change(swollen, tmp_path, monkeypatch):
    from strobewise.case.experience import NO_EXPERIENCE
    from strobewise_cli.page_server import desk

    monkeypatch.setattr(desk, "PATIENCE_S", 0.01)
    mine = desk.Desk(Path(tmp_path / "case"), desk.Beginning(None, 8), NO_EXPERIENCE)
    mine.begin({"symptom": "dead"})
    before = mine.view()
    held, done = threading.Event(), threading.Event()

    def change():
        with mine._changing():
            held.set()
            done.wait(30)

    changing = threading.Thread(target=change)
    changing.start()
    held.wait(30)
    busy = mine.view()
    done.set()
    changing.join()
    assert busy.state is before.state and busy.notes[-1].startswith("The bench is reading") and busy.version < mine.version
    assert mine.view().notes == ()


@pytest.mark.parametrize(("said", "kept"), [("no", 0.0), ("Yes", 1.0), ("0", None), ("", None)])
def test_what_is_written_by_hand_may_be_yes_or_no(swollen, tmp_path, said, kept):
    from strobewise.case.experience import NO_EXPERIENCE
    from strobewise.case.store import open_case
    from strobewise_cli.page_server import desk

    mine = desk.Desk(Path(tmp_path / "case"), desk.Beginning(None, 8), NO_EXPERIENCE)
    mine.begin({"symptom": "dead"})
    told = {"kind": "pulses", "about": "M1", "value": said}
    if kept is None:
        with pytest.raises(UsageError, match="yes or no"):
            mine.answer(told)
    else:
        mine.answer(told)
        assert open_case(tmp_path / "case").items[-1].answer.value == kept
