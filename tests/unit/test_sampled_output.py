"""Captures written anew as samples and tables say the same as before, and keep the analyser's own samples."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile

import numpy as np
import pytest

from conftest import TRACES, all_traces, run_strobewise
from session_files import write_session
from strobewise.capture import open_capture, sampled
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.raw.form import parse_raw
from strobewise_cli.main import main
from wave_files import from_vcd, needs_library, wave_library

__all__ = ["wave_library"]

KINDS = ("sr", "csv", "raw")
_RAW = re.compile(r"to be read with --raw (\S+)\n")


def told(path, folder, raw=()):
    """Return the cycles without their times, and the verdict with what it stands on."""
    cycles, report = folder / "cycles.csv", folder / "report.json"
    assert main(["cycles", str(path), "-o", str(cycles), *raw]) == 0
    status = main(["diagnose", str(path), "--json", str(report), "--no-replay", *raw])
    rows = [row[2:] for row in csv.reader(io.StringIO(cycles.read_text()))]
    said = json.loads(report.read_text())
    found = [(finding["rule"], finding["lines"], finding["severity"], finding["count"]) for finding in said["findings"]]
    lines = [(line["line"], line["state"], line["edges"]) for line in said["lines"]]
    return rows, status, said["verdict"]["state"], said["verdict"]["suspects"], found, lines, said["cycles"]


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name.split(".")[0])
def test_every_demo_capture_says_the_same_in_every_format(trace, tmp_path, capsys):
    expected = told(trace, tmp_path)
    for kind in KINDS:
        made = tmp_path / f"made.{kind}"
        assert main(["prepare", str(trace), "-o", str(made)]) == 0
        raw = _RAW.search(capsys.readouterr().out) if kind == "raw" else None
        assert told(made, tmp_path, ("--raw", raw[1]) if raw else ()) == expected, kind


@needs_library
@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name.split(".")[0])
def test_every_demo_capture_says_the_same_as_a_waveform_file(trace, tmp_path):
    vcd, made = tmp_path / "made.vcd", tmp_path / "made.fst"
    assert main(["prepare", str(trace), "-o", str(vcd)]) == 0
    from_vcd(vcd.read_text(encoding="utf-8"), made)
    vcd.unlink()
    found, due = told(made, tmp_path), told(trace, tmp_path)
    if trace.name.startswith("m1-floating"):  # its spikes have no width, and a waveform file keeps one value of a line at a time
        found, due = ([*each[:4], [finding[:3] for finding in each[4]], each[6]] for each in (found, due))
    assert found == due


@needs_library
@pytest.mark.parametrize("source", ["vcd", "sr", "csv", "raw", "fst"])
def test_any_format_becomes_any_other(source, tmp_path, capsys):
    """The capture host's own CSV is tried where the host is: test_host_session_files.py."""
    trace = TRACES / "good" / "healthy-lodger.vcd.gz"
    given, due = tmp_path / f"given.{source}", told(trace, tmp_path)
    assert main(["prepare", str(trace), "-o", str(given.with_suffix(".vcd") if source == "fst" else given)]) == 0
    raw = _RAW.search(capsys.readouterr().out)
    if source == "fst":
        from_vcd(given.with_suffix(".vcd").read_text(encoding="utf-8"), given)
    for kind in ("vcd", *KINDS):
        made = tmp_path / f"made.{kind}"
        assert main(["prepare", str(given), "-o", str(made), *(("--raw", raw[1]) if source == "raw" else ())]) == 0
        new = _RAW.search(capsys.readouterr().out)
        assert told(made, tmp_path, ("--raw", new[1]) if kind == "raw" else ()) == due, kind


def test_volts_become_levels_and_that_is_said(tmp_path, capsys):
    volts = np.array([0.2, 0.2, 4.1, 4.1, 0.2], "<f4").tobytes()
    given = write_session(tmp_path / "given.sr", ["RD"], [bytes([1, 1, 0, 0, 1])], volts=[("M1", [volts])])
    for kind in ("vcd", *KINDS):
        assert main(["prepare", str(given), "-o", str(tmp_path / f"made.{kind}")]) == 0
        assert "volts are written as the levels that they mean: M1 (1 in all)" in capsys.readouterr().out
    assert rows(tmp_path / "made.sr")[1] == rows(given)[1]


def rows(path, raw=None):
    with open_capture(str(path), None if raw is None else parse_raw(raw)) as capture:
        blocks = list(capture.blocks(map_channels(capture.header.channels).assignments))
        times = np.concatenate([block.times for block in blocks]) * capture.header.timescale_fs
        words = np.concatenate([block.words for block in blocks])
    kept = np.append(True, words[1:] != words[:-1])
    return times[kept].tolist(), words[kept].tolist(), int(times[-1])


@pytest.mark.parametrize("rate", ["24 MHz", "12.5 MHz", "1 GHz", "16 MHz", "7 MHz"])
def test_from_one_to_the_other_and_back_no_time_moves(tmp_path, rate, capsys):
    samples = np.random.default_rng(7).integers(0, 4, 5000).repeat(np.random.default_rng(8).integers(1, 9, 5000)).astype(np.uint8)
    first = write_session(tmp_path / "first.sr", ["M1", "MREQ"], [samples.tobytes()], rate=rate)
    for kind in KINDS:
        assert main(["prepare", str(first), "-o", str(tmp_path / f"second.{kind}")]) == 0
        raw = _RAW.search(capsys.readouterr().out) if kind == "raw" else None
        assert rows(tmp_path / f"second.{kind}", raw and raw[1])[:2] == rows(first)[:2], kind
        if kind != "raw":
            assert main(["prepare", str(tmp_path / f"second.{kind}"), "-o", str(tmp_path / "third.sr")]) == 0
            with zipfile.ZipFile(tmp_path / "third.sr") as archive:
                assert archive.read("logic-1-1") == samples.tobytes()
                assert f"samplerate={rate}" in archive.read("metadata").decode() or rate == "12.5 MHz"


def test_chunks_and_wide_samples(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("strobewise.capture.sampled.CHUNK_BYTES", 100)
    monkeypatch.setattr("strobewise.capture.sampled._PIECE_SAMPLES", 33)
    samples = np.random.default_rng(3).integers(0, 256, (300, 3)).astype(np.uint8)
    names = [*(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8))]
    first = write_session(tmp_path / "first.sr", names, [samples.tobytes()], unit=3)
    assert main(["prepare", str(first), "-o", str(tmp_path / "second.sr")]) == 0
    with zipfile.ZipFile(tmp_path / "second.sr") as archive:
        parts = [archive.read(f"logic-1-{number}") for number in range(1, len(archive.namelist()) - 1)]
    assert len(parts) > 5 and b"".join(parts) == samples.tobytes()


def test_the_same_again_gives_the_same_file(tmp_path):
    for name in ("a.sr", "b.sr"):
        assert main(["prepare", str(all_traces()[0]), "-o", str(tmp_path / name)]) == 0
    assert (tmp_path / "a.sr").read_bytes() == (tmp_path / "b.sr").read_bytes()


def test_a_session_on_standard_output(tmp_path):
    first = write_session(tmp_path / "first.sr", ["M1", "MREQ"], [bytes([0, 1, 2, 3] * 50)])
    done = run_strobewise("prepare", first, "-o", "-", "--as", "sr")
    assert done.returncode == 0, done.stderr
    (tmp_path / "second.sr").write_bytes(done.stdout)
    assert rows(tmp_path / "second.sr") == rows(first)


def test_times_on_no_grid_keep_every_edge(tmp_path):
    text = "$timescale 1 ns $end\n$var wire 1 ! M1 $end\n$var wire 1 \" MREQ $end\n$enddefinitions $end\n#0 0! 0\"\n"
    times = np.cumsum(np.random.default_rng(5).integers(7, 900, 400)).tolist()
    (tmp_path / "a.vcd").write_text(text + "".join(f"#{time} {at & 1}{'!' if at & 2 else chr(34)}\n" for at, time in enumerate(times)))
    assert main(["prepare", str(tmp_path / "a.vcd"), "-o", str(tmp_path / "a.sr")]) == 0
    assert rows(tmp_path / "a.sr")[1] == rows(tmp_path / "a.vcd")[1]


@pytest.mark.parametrize("kind", ["csv", "vcd"])
@pytest.mark.parametrize(("rate", "grain_ps"), [("24 MHz", 1000), ("24 MHz", 10_000), ("16 MHz", 1000), ("12 MHz", 100)])
def test_times_that_an_export_rounded_keep_the_analysers_rate(tmp_path, rate, grain_ps, kind):
    """The ticks of the file are finer than the decimals that its times are written with."""
    lasts = np.random.default_rng(8).integers(1, 9, 5000)
    samples = np.random.default_rng(7).integers(0, 4, 5000).repeat(lasts).astype(np.uint8)
    interval_ps = 1e6 / float(rate.split()[0])
    changes = [0, *(np.flatnonzero(np.diff(samples)) + 1).tolist(), len(samples)]
    held = np.append(samples, samples[-1:])
    rows = [(round(at * interval_ps / grain_ps) * grain_ps, held[at] & 1, held[at] >> 1) for at in changes]
    made = tmp_path / f"made.{kind}"
    if kind == "csv":
        made.write_text("Time [s],M1,MREQ\n" + "".join(f"{time * 1e-12:.12f},{m1},{mreq}\n" for time, m1, mreq in rows))
    else:
        head = "$timescale 1 ps $end\n$var wire 1 ! M1 $end\n$var wire 1 \" MREQ $end\n$enddefinitions $end\n"
        made.write_text(head + "".join(f"#{time} {m1}! {mreq}\"\n" for time, m1, mreq in rows))
    assert main(["prepare", str(made), "-o", str(tmp_path / "again.sr")]) == 0
    with zipfile.ZipFile(tmp_path / "again.sr") as archive:
        assert f"samplerate={rate}" in archive.read("metadata").decode()
        assert archive.read("logic-1-1") == samples.tobytes()


@pytest.mark.parametrize(("measured_hz", "real_hz"), [(24_010_000, 24_000_000), (12_506_000, 12_500_000), (3_276_830, 3_276_800)])
def test_the_rates_that_are_tried_hold_the_one_that_the_analyser_has(measured_hz, real_hz):
    """Of two to six digits; the interval that the times show misses it by a little."""
    assert real_hz in sampled._rates(None, 10**15 / measured_hz)
