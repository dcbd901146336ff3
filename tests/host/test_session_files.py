"""The real host's session files of every demo capture give the same cycles and the same verdict as the capture itself."""

from __future__ import annotations

import csv
import io
import json

import pytest
from real_host import host_bytes, need_host

from conftest import all_traces, run_strobewise

pytestmark = pytest.mark.usefixtures("host")
#: Where the capture came from; and of how many edges a delay was measured, where an edge and its clock may lie in different blocks.
NOT_COMPARED = {"capture", "delays"}


@pytest.fixture
def host():
    need_host()


def cycles_of(path):
    done = run_strobewise("cycles", path)
    assert done.returncode == 0, done.stderr
    return list(csv.DictReader(io.StringIO(done.stdout.decode())))


def verdict_of(path):
    done = run_strobewise("diagnose", path, "--json", "-", "--no-replay")
    told = json.loads(done.stdout)
    return done.returncode, {key: value for key, value in told.items() if key not in NOT_COMPARED}


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name.split(".")[0])
def test_the_host_s_session_says_the_same(trace, tmp_path):
    prepared, session = tmp_path / "prepared.vcd", tmp_path / "prepared.sr"
    assert run_strobewise("prepare", trace, "-o", prepared).returncode == 0
    host_bytes("-I", "vcd", "-i", prepared, "-o", session)
    assert cycles_of(session) == cycles_of(prepared)
    assert verdict_of(session) == verdict_of(prepared)
