"""A scope's CSV: volts and logic columns, separators, units, and what is wrong with a bad one."""

from __future__ import annotations

import gzip
import re

import numpy as np
import pytest

from strobewise.capture import BitAssignment, open_capture
from strobewise.errors import CaptureError


def read(path, *codes, block_bytes=None):
    with open_capture(str(path)) as capture:
        if block_bytes:
            capture.block_bytes = block_bytes
        blocks = list(capture.blocks([BitAssignment(code, 0, k) for k, code in enumerate(codes)]))
        times = np.concatenate([b.times for b in blocks])
        words = np.concatenate([b.words for b in blocks])
        unknown = np.concatenate([np.zeros_like(b.words) if b.unknown is None else b.unknown for b in blocks])
        assert (np.diff(times) > 0).all()
        return capture, times.tolist(), words.tolist(), unknown.tolist()


def write(tmp_path, text, name="scope.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode("utf-8"))
    return path


def rows(volts, step=1e-8):
    return "time,M1\n" + "".join(f"{k * step:.9f},{v}\n" for k, v in enumerate(volts))


def test_volts_become_levels_with_hysteresis(tmp_path):
    volts = [0.2, 0.3, 1.5, 2.5, 1.9, 1.0, 0.9, 0.5, 1.9, 0.4]
    capture, times, words, unknown = read(write(tmp_path, rows(volts)), "0")
    # 1.9 V after a high is high still, after a low low still; the last row closes the capture
    assert (times, words, unknown) == ([0, 30_000, 70_000, 90_000], [0, 1, 0, 0], [0, 0, 0, 0])
    assert capture.channel_statistics()["0", 0] == (2, 40_000, 90_000, 0)
    assert (capture.header.timescale_fs, capture.start_time, capture.end_time) == (1000, 0, 90_000)


def test_the_limits_themselves_are_undecided(tmp_path):
    _, times, words, unknown = read(write(tmp_path, rows([0.8, 2.0, 2.01, 0.8, 0.79])), "0")
    assert (times, words, unknown) == ([0, 20_000, 40_000], [0, 1, 0], [1, 0, 0])


def test_levels_are_kept_as_evidence(tmp_path):
    volts = [0.2] * 40 + [4.1] * 40 + [1.2] * 6 + [0.21] * 10 + [0.9, 0.2] + [3.9] * 2
    capture, *_ = read(write(tmp_path, rows(volts)), "0")
    levels = capture.analog_levels()["0"]
    assert (levels.minimum_v, levels.maximum_v) == (0.2, 4.1)
    assert (levels.between, levels.above_high) == (0.07, 0.42)
    assert levels.low_level_v == pytest.approx(0.2, abs=0.01)
    assert levels.high_level_v == pytest.approx(4.1, abs=0.01)
    assert (levels.rises, levels.falls, levels.slow_edges, levels.ringing) == (2, 1, 1, 1)
    assert levels.percentile_1_v == pytest.approx(0.2, abs=0.01)
    assert levels.median_v == pytest.approx(0.21, abs=0.01)
    assert levels.percentile_99_v == pytest.approx(4.1, abs=0.01)


def test_levels_agree_with_numpy(tmp_path):
    volts = np.random.default_rng(1).normal(1.5, 1.0, 5000).round(3)
    capture, *_ = read(write(tmp_path, rows(volts)), "0", block_bytes=1000)
    levels = capture.analog_levels()["0"]
    assert levels.percentile_1_v == pytest.approx(np.percentile(volts, 1), abs=0.02)
    assert levels.median_v == pytest.approx(np.median(volts), abs=0.02)
    assert levels.percentile_99_v == pytest.approx(np.percentile(volts, 99), abs=0.02)
    assert levels.above_high == np.mean(volts > 2.0)


@pytest.mark.parametrize("block_bytes", [1, 7, 100, 1000])
def test_the_size_of_the_pieces_does_not_matter(tmp_path, block_bytes):
    volts = np.random.default_rng(2).normal(1.5, 1.5, 300).round(3)
    path = write(tmp_path, rows(volts))
    whole, *expected = read(path, "0")
    pieces, *got = read(path, "0", block_bytes=block_bytes)
    assert got == expected
    assert pieces.channel_statistics() == whole.channel_statistics()
    assert pieces.analog_levels() == whole.analog_levels()


def test_a_column_of_0_and_1_is_logic(tmp_path):
    path = write(tmp_path, "Time [s],M1 [V],MREQ\n0,3.1,1\n1e-8,3.2,0\n2e-8,0.1,1\n")
    capture, _, words, _ = read(path, "0", "1")
    assert [(channel.name, channel.kind) for channel in capture.header.channels] == [("M1", "real"), ("MREQ", "wire")]
    assert words == [3, 1, 2]
    assert list(capture.analog_levels()) == ["0"]


def test_a_single_voltage_late_in_the_file_makes_the_column_volts(tmp_path):
    text = "t,M1\n" + "".join(f"{k}e-8,0\n" for k in range(50_000)) + "50001e-8,4.5\n"
    capture, times, words, _ = read(write(tmp_path, text), "0")
    assert capture.header.channels[0].kind == "real"
    assert (times, words) == ([0, 500_010_000], [0, 1])


@pytest.mark.parametrize(
    "text",
    [
        "time;M1\n0,0;3,1\n0,00000001;0,2\n",
        "time;M1\n0;3,1\n1e-8;0,2\n",
        "t\tM1\n0.0\t3.1\n1e-8\t0.2\n",
        '"Time (ns)","M1 (mV)"\n0,3100\n10,200\n',
        "Model,X\nDate,today\nTime,M1\nsecond,Volt\n0.0,3.1\n1e-8,0.2\n",
        "time,M1\r\n0.0,3.1\r\n1e-8,0.2\r\n",
        "\ufefftime(s) , M1 [V] \n0.0, 3.1\n1e-8, 0.2",
        "Sample,Time [µs],M1 [V]\n0,0.0,3.1\n1,0.01,0.2\n",
        "time,M1,\n0.0,3.1,\n1e-8,0.2,\n",
        "M1 [V],time [ms]\n3.1,0\n0.2,0.00001\n",
        "time,M1\n\n0.0,3.1\n\n1e-8,0.2\n\n",
    ],
)
def test_ways_of_writing(tmp_path, text):
    capture, times, words, _ = read(write(tmp_path, text), "0")
    assert [channel.name for channel in capture.header.channels] == ["M1"]
    assert (times, words) == ([0, 10_000], [1, 0])


def test_a_file_without_names_numbers_its_channels(tmp_path):
    capture, *_ = read(write(tmp_path, "0,3.1,0.2\n1e-8,3.1,0.2\n"), "0", "1")
    assert [channel.name for channel in capture.header.channels] == ["CH1", "CH2"]


def test_brackets_that_hold_no_unit_belong_to_the_name(tmp_path):
    capture, *_ = read(write(tmp_path, "time,A[3],D0 (V)\n0,3.1,0.2\n"), "0", "1")
    assert [channel.name for channel in capture.header.channels] == ["A[3]", "D0"]


def test_times_before_the_trigger_are_negative(tmp_path):
    capture, times, _, _ = read(write(tmp_path, "time,M1\n-2e-8,3\n-1e-8,0.5\n0,3\n1e-8,3\n"), "0")
    assert times == [-20_000, -10_000, 0, 10_000]
    assert capture.channel_statistics()["0", 0] == (2, 20_000, 30_000, 0)
    assert (capture.start_time, capture.end_time) == (-20_000, 10_000)


def test_samples_that_repeat_a_time_are_left_out_and_reported(tmp_path):
    capture, times, words, _ = read(write(tmp_path, "time,M1\n0,3\n0,0.5\n1e-8,0.4\n"), "0", block_bytes=4)
    assert (times, words) == ([0, 10_000], [1, 0])
    assert capture.warnings == ["samples that repeat a time are left out: export the times with more digits"]


def test_a_gzipped_file_and_a_second_reading(tmp_path):
    path = tmp_path / "scope.csv.gz"
    path.write_bytes(gzip.compress(rows([0.1, 3.0]).encode()))
    with open_capture(str(path)) as capture:
        first = [block.words.tolist() for block in capture.blocks([BitAssignment("0", 0, 5, True)])]
        again = [block.words.tolist() for block in capture.blocks([BitAssignment("0", 0, 5, True)])]
    assert first == again == [[32, 0]]


def test_a_cut_last_line_is_left_out(tmp_path):
    capture, times, _, _ = read(write(tmp_path, "time,M1,MREQ\n0,3.1,3.2\n1e-8,0.2,3.1\n2e-8,0."), "0")
    assert times == [0, 10_000]
    assert capture.warnings == ["line 4 is cut off: the capture is read up to there"]


@pytest.mark.parametrize(
    "text, message",
    [
        ("", "the file is empty (PATH): export it again with a column of times and a column of volts per channel"),
        (" \n", "the file is empty (PATH): export it again with a column of times and a column of volts per channel"),
        (
            "time,M1\n",
            "this is no CSV of a scope: no row of numbers in two columns or more (PATH, line 1, byte 0): "
            "export it again with a column of times and a column of volts per channel",
        ),
        (  # what a file holds tells what it is, not its ending
            "$date today $end\n$timescale 1 ns $end\n",
            "the file ends before $enddefinitions (PATH, line 3, byte 38): export the capture again as VCD",
        ),
        (
            "time,M1\n0,1.5\n1e-8,x\n",
            "a number is expected, not 'x' (PATH, line 3, byte 14): correct or delete that line, or export it again",
        ),
        (
            "time,M1\n0,1.5\n1e-8,nan\n2e-8,1\n",
            "a number is expected, not 'nan' (PATH, line 3, byte 14): correct or delete that line, or export it again",
        ),
        (
            "time,M1,M2\n0,1.5,1\n1e-8,1\n2e-8,1,1\n",
            "a row has 3 columns, this one 2 (PATH, line 3, byte 19): correct or delete that line, or export it again",
        ),
        ("time,M1\n1e-8,1.5\n0,1.6\n", "time goes backwards (PATH, line 3): export one record at a time, in order"),
        (
            "time,M1\n1e30,1.5\n",
            "a time is beyond 1000000 s (PATH, line 2, byte 8): export it again with a column of times and a column of volts per channel",
        ),
        (
            "time,No\n1,2\n",
            "no column of volts beside the time (PATH, line 2, byte 8): "
            "export it again with a column of times and a column of volts per channel",
        ),
        (
            ",".join(map(str, range(70))) + "\n",
            "more than 64 columns (PATH, line 1, byte 0): export it again with a column of times and a column of volts per channel",
        ),
    ],
)
def test_what_is_wrong_is_said(tmp_path, text, message):
    path = write(tmp_path, text)
    with pytest.raises(CaptureError, match="^" + re.escape(message.replace("PATH", str(path))) + "$"):
        read(path, "0")


def test_a_line_without_end_costs_bounded_memory(tmp_path):
    path = write(tmp_path, "time,M1\n0,1\n" + "1" * 300_000)
    with pytest.raises(CaptureError, match=r"^a line of more than 65536 bytes \("):
        read(path, "0")
