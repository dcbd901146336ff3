"""What the real host makes of every demo capture, in each of its formats, gives the same cycles and verdict as the capture itself."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest
from real_host import host_bytes, need_host

from conftest import all_traces
from strobewise.capture import open_capture
from strobewise.profile.options import Options
from strobewise_cli.commands.options import raw_form
from strobewise_cli.main import main

#: Where the capture came from; and of how many edges a delay was measured, where an edge and its clock may lie in different blocks.
NOT_COMPARED = {"capture", "delays"}
#: Options of the host, and the ending of what they write. Rows of all samples are longer than all else: of small captures alone.
FORMATS = {"session": ((), ".sr"), "stamps": (("-O", "csv:time=true:dedup=true"), ".csv"), "samples": (("-O", "binary"), ".bin")}


@pytest.fixture(autouse=True)
def host():
    need_host()


def told(path, folder, *raw):
    """Return the cycles of a capture as text, the exit status of its diagnosis, and what that says."""
    cycles, report = folder / "cycles.csv", folder / "report.json"
    assert main(["cycles", str(path), "-o", str(cycles), *raw]) == 0
    status = main(["diagnose", str(path), "--json", str(report), "--no-replay", *raw])
    said = {key: value for key, value in json.loads(report.read_text()).items() if key not in NOT_COMPARED}
    return cycles.read_text(), status, said


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name.split(".")[0])
def test_the_host_s_files_say_the_same(trace, tmp_path, capsys):
    prepared = tmp_path / "prepared.vcd"
    assert main(["prepare", str(trace), "-o", str(prepared)]) == 0
    expected = told(prepared, tmp_path)
    with open_capture(str(prepared)) as capture:
        names = [channel.name for channel in capture.header.channels]
        rate = Fraction(10**15, capture.header.timescale_fs)
    raw = f"{rate}:" + ",".join(f"{name}={bit}" for bit, name in enumerate(names))
    assert Options(raw=raw_form(raw)).raw is not None
    session = tmp_path / "prepared.sr"
    host_bytes("-I", "vcd", "-i", prepared, "-o", session)
    for name, (options, ending) in FORMATS.items():
        made = tmp_path / (name + ending)
        host_bytes("-i", session, *options, "-o", made)
        assert told(made, tmp_path, *(("--raw", raw) if name == "samples" else ())) == expected, name
