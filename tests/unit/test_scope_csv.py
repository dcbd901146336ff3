"""A scope's CSV: volts and logic columns, separators, units, and what is wrong with a bad one."""

from __future__ import annotations

import numpy as np
import pytest

from strobewise.capture import BitAssignment, open_capture
from strobewise.errors import CaptureError


def read(path, *codes):
    with open_capture(str(path)) as capture:
        blocks = list(capture.blocks([BitAssignment(code, 0, k) for k, code in enumerate(codes)]))
        times = np.concatenate([b.times for b in blocks])
        words = np.concatenate([b.words for b in blocks])
        return capture, times.tolist(), words.tolist()


def write(tmp_path, text):
    path = tmp_path / "scope.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_volts_become_levels_with_hysteresis(tmp_path):
    volts = [0.2, 0.3, 1.5, 2.5, 1.9, 1.0, 0.9, 0.5, 1.9, 0.4]
    path = write(tmp_path, "time,M1\n" + "".join(f"{k * 1e-8:.9f},{v}\n" for k, v in enumerate(volts)))
    capture, times, words = read(path, "0")
    assert words == [0, 1, 0, 0]  # 1.9 V after a high is high still, after a low low still; the last row closes the capture
    assert times == [0, 30_000, 70_000, 90_000]
    levels = capture.analog_levels()["0"]
    assert (levels.minimum_v, levels.maximum_v, levels.rises, levels.falls) == (0.2, 2.5, 1, 1)
    assert capture.channel_statistics()["0", 0].edges == 2
    assert capture.channel_statistics()["0", 0].high_ticks == 40_000


def test_a_column_of_0_and_1_is_logic(tmp_path):
    path = write(tmp_path, "Time [s],M1 [V],MREQ\n0,3.1,1\n1e-8,3.2,0\n2e-8,0.1,1\n")
    capture, _, words = read(path, "0", "1")
    assert [channel.kind for channel in capture.header.channels] == ["real", "wire"]
    assert [channel.name for channel in capture.header.channels] == ["M1", "MREQ"]
    assert words == [3, 1, 2]


@pytest.mark.parametrize(
    "text",
    [
        "time;M1\n0,0;3,1\n0,00000001;0,2\n",
        "t\tM1\n0.0\t3.1\n1e-8\t0.2\n",
        '"Time (ns)","M1 (mV)"\n0,3100\n10,200\n',
        "Model,X\nDate,today\nTime,M1\nsecond,Volt\n0.0,3.1\n1e-8,0.2\n",
        "time,M1\r\n0.0,3.1\r\n1e-8,0.2\r\n",
    ],
)
def test_ways_of_writing(tmp_path, text):
    _, times, words = read(write(tmp_path, text), "0")
    assert (times, words) == ([0, 10_000], [1, 0])


@pytest.mark.parametrize(
    "text, message",
    [
        ("", "the file is empty"),
        ("a,b\n1,2\n", "no row of column names that begins with a time column"),
        ("time,M1\n0,1.5\n1e-8,x\n", "2 numbers are expected, not '1e-8,x'"),
        ("time,M1\n1e-8,1.5\n0,1.6\n", "time does not go forward"),
        ("time,M1\n", "no samples"),
        ("time,M1\n0,nan\n", "2 numbers are expected, not '0,nan'"),
    ],
)
def test_what_is_wrong_is_said(tmp_path, text, message):
    with pytest.raises(CaptureError) as caught:
        read(write(tmp_path, text), "0")
    assert caught.value.what == message


def test_a_cut_last_line_is_left_out(tmp_path):
    path = write(tmp_path, "time,M1,MREQ\n0,3.1,3.2\n1e-8,0.2,3.1\n2e-8,0.")
    capture, times, _ = read(path, "0")
    assert times == [0, 10_000]
    assert capture.warnings == ["the last line is cut off: the capture is read up to there"]
