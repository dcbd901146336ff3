"""Session files of the capture host: their metadata, their chunks, their volts, and what is wrong with one, in one line."""

from __future__ import annotations

import gzip
import io
import re
import zipfile
from fractions import Fraction

import numpy as np
import pytest

from conftest import run_strobewise
from session_files import metadata, write_entries, write_session
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.records import BitAssignment
from strobewise.capture.samples.rate import SampleTimes, parse_rate
from strobewise.capture.session.metadata import parse_metadata
from strobewise.capture.session.reader import SessionCapture
from strobewise.errors import CaptureError

#: What is said where a rate is missing.
ONE_A_CLOCK = "; where it has one sample for each clock of the CPU, say so with --clocked falling or --clocked rising"


def rows(path, *assignments):
    """Return (ticks, word, unknown) of every row, and the capture."""
    with open_capture(str(path)) as capture:
        chosen = assignments or [BitAssignment(channel.code, 0, at) for at, channel in enumerate(capture.header.channels)]
        found = []
        for block in capture.blocks(chosen):
            unknown = np.zeros(len(block.times), np.uint64) if block.unknown is None else block.unknown
            found += zip(block.times.tolist(), block.words.tolist(), unknown.tolist(), strict=True)
        return found, capture


def floats(*volts):
    return np.array(volts, "<f4").tobytes()


# --- rates ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text, hertz",
    [("24 MHz", 24_000_000), ("24M", 24_000_000), ("1 GHz", 10**9), ("12.5 MHz", 12_500_000), ("100 kHz", 100_000), ("8000000", 8_000_000),
     ("0.5 hz", Fraction(1, 2)), ("24m", 24_000_000)],
)  # fmt: skip
def test_a_rate_is_read_as_people_and_the_host_write_it(text, hertz):
    assert parse_rate(text) == hertz


@pytest.mark.parametrize("text", ["", "0", "0 Hz", "-1", "24 MiB", "1e6", "1_000", "24 M M", "9999 GHz", "0.000000000001", "\u0663"])
def test_no_rate(text):
    assert parse_rate(text) is None


@pytest.mark.parametrize(
    "hertz, tick_fs, interval", [(10**9, 10**6, 1), (16_000_000, 10**5, 625), (25_000_000, 10**7, 4), (24_000_000, 1000, 125_000 / 3)]
)
def test_a_tick_is_a_decade_that_divides_the_interval_or_a_picosecond(hertz, tick_fs, interval):
    times = SampleTimes.at(Fraction(hertz))
    assert (times.tick_fs, times.interval_ticks) == (tick_fs, interval)


def test_times_stay_exact_after_days():
    times = SampleTimes.at(Fraction(24_000_000))
    first = 24_000_000 * 86_400 * 30
    assert times.ticks(first, np.arange(4)).tolist() == [times.tick(first + n) for n in range(4)]
    assert times.tick(first) == 86_400 * 30 * 10**12


# --- metadata ------------------------------------------------------------------------------------------------------


def test_metadata_as_the_host_writes_them():
    told = parse_metadata(metadata(["/M1", "/MREQ"], ["A0"], "1 GHz").encode())
    assert (told.rate, told.unit_bytes, told.devices) == (10**9, 1, 1)
    assert [tuple(channel) for channel in told.channels] == [("/M1", 0, "logic-1"), ("/MREQ", 1, "logic-1"), ("A0", None, "analog-1-3")]


def test_channels_that_were_switched_off_leave_gaps():
    text = "[device 1]\nsamplerate=1 MHz\ntotal probes=16\nprobe10=RD\nprobe3=M1\nunitsize=2\n"
    assert [(channel.name, channel.place) for channel in parse_metadata(text.encode()).channels] == [("M1", 2), ("RD", 9)]


def test_escapes_of_a_key_file():
    text = "# a comment\n[device 1]\nsamplerate = 1 MHz\nprobe1=\\sM1 \\\\ x\\qy\nprobe2=\x1b[2J\nunitsize=1\n"
    assert [channel.name for channel in parse_metadata(text.encode()).channels] == [" M1 \\ x\\qy", "\ufffd[2J"]


# --- samples -------------------------------------------------------------------------------------------------------


def test_only_changes_become_rows_and_the_end_is_one(tmp_path):
    path = write_session(tmp_path / "a.sr", ["M1", "MREQ"], [bytes([1, 1, 3, 3, 3]), bytes([3, 0])], rate="10 MHz")
    found, capture = rows(path)
    assert found == [(0, 1, 0), (2, 3, 0), (6, 0, 0), (7, 0, 0)]
    assert capture.header.timescale_fs == 10**8 and (capture.start_time, capture.end_time) == (0, 7)
    counts = capture.channel_statistics()
    assert (tuple(counts["0", 0]), tuple(counts["1", 0])) == ((1, 6, 7, 0), (2, 4, 7, 0))


def test_more_channels_than_one_number_holds(tmp_path):
    samples = [(1 << 69) | 1, (1 << 69), (1 << 69) | (1 << 64), 0]
    path = write_session(tmp_path / "a.sr", [f"x{n}" for n in range(70)], [b"".join(n.to_bytes(9, "little") for n in samples)], unit=9)
    found, _ = rows(path, BitAssignment("0", 0, 0), BitAssignment("64", 0, 1), BitAssignment("69", 0, 63, True))
    assert [(word & 3, word >> 63) for _, word, _ in found] == [(1, 0), (0, 0), (2, 0), (0, 1), (0, 1)]


def test_changes_of_a_channel_that_is_not_asked_for_make_no_rows(tmp_path):
    path = write_session(tmp_path / "a.sr", ["M1", "noise"], [bytes([0, 2, 0, 2, 3, 1, 3])], rate="1 MHz")
    found, _ = rows(path, BitAssignment("0", 0, 5, True))
    assert found == [(0, 32, 0), (4, 0, 0), (7, 0, 0)]


def test_volts_become_levels_and_stay_as_evidence(tmp_path):
    volts = [("RD", [floats(1.4, 0.1, 3.3), floats(3.2, 1.4, 0.2)])]
    path = write_session(tmp_path / "a.sr", ["M1"], [bytes([1, 1, 1, 0, 0]), bytes([0])], volts, rate="1 MHz")
    found, capture = rows(path)
    assert found == [(0, 1, 2), (1, 1, 0), (2, 3, 0), (3, 2, 0), (5, 0, 0), (6, 0, 0)]
    levels = capture.analog_levels()["1"]
    assert levels.maximum_v == pytest.approx(3.3, abs=1e-6)
    assert tuple(capture.channel_statistics()["1", 0]) == (2, 3, 5, 0)


def test_a_session_of_volts_alone(tmp_path):
    entries = {"version": b"2", "metadata": metadata([], ["RD"], "1 MHz").encode(), "analog-1-1-1": floats(0.1, 3.0, 3.0)}
    found, _ = rows(write_entries(tmp_path / "a.sr", entries))
    assert found == [(0, 0, 0), (1, 1, 0), (3, 1, 0)]


def test_a_channel_of_volts_without_samples_is_not_there(tmp_path):
    entries = {"version": b"2", "metadata": metadata(["M1"], ["RD"]).encode(), "logic-1-1": b"\0\1"}
    with open_capture(str(write_entries(tmp_path / "a.sr", entries))) as capture:
        assert [channel.name for channel in capture.header.channels] == ["M1"]


def test_the_first_version_has_one_chunk_without_a_number(tmp_path):
    entries = {"version": b"1", "metadata": metadata(["M1"]).encode(), "logic-1": b"\0\1"}
    found, _ = rows(write_entries(tmp_path / "a.sr", entries, zipfile.ZIP_STORED))
    assert [word for _, word, _ in found] == [0, 1, 1]


@pytest.mark.parametrize("name, pack", [("a.sr", bytes), ("capture", bytes), ("wrong.vcd", bytes), ("a.sr.gz", gzip.compress)])
def test_the_content_tells_a_session(tmp_path, name, pack):
    plain = write_session(tmp_path / "plain", ["M1", "MREQ"], [bytes([0, 1, 2, 3])])
    (tmp_path / name).write_bytes(pack(plain.read_bytes()))
    assert rows(tmp_path / name)[0] == rows(plain)[0]


def test_standard_input_holds_one_too(tmp_path):
    path = write_session(tmp_path / "a.sr", ["M1", "MREQ"], [bytes([0, 1, 2, 3] * 400)])
    told = [run_strobewise("cycles", name, stdin=path.read_bytes()) for name in (path, "-")]
    assert told[0].returncode == told[1].returncode == 0 and told[0].stdout == told[1].stdout


def test_channels_that_end_at_different_samples(tmp_path):
    path = write_session(tmp_path / "a.sr", ["M1"], [bytes([0, 1, 0, 1])], [("RD", [floats(0.1, 3.0) + b"\0\0"])], rate="1 MHz")
    found, capture = rows(path)
    assert [time for time, _, _ in found] == [0, 1, 2]
    assert capture.warnings == ["the channels end at different samples, or within one: the capture is read up to the first end"]


def test_a_chunk_that_is_missing_is_told(tmp_path):
    entries = {"version": b"2", "metadata": metadata(["M1"]).encode(), "logic-1-1": b"\0\1", "logic-1-3": b"\1"}
    assert rows(write_entries(tmp_path / "a.sr", entries))[1].warnings == ["a chunk of the session is missing: it is read up to there"]


def test_a_second_device_is_told(tmp_path):
    entries = {"version": b"2", "metadata": (metadata(["M1"]) + "[device 2]\nsamplerate=1 MHz\n").encode(), "logic-1-1": b"\0\1"}
    assert rows(write_entries(tmp_path / "a.sr", entries))[1].warnings == ["the session has 2 devices; the first one is read"]


def test_it_may_be_read_again(tmp_path):
    path = write_session(tmp_path / "a.sr", ["M1", "MREQ"], [bytes([0, 1, 2, 3] * 9)])
    with open_capture(str(path)) as capture:
        bits = map_channels(capture.header.channels).assignments
        first, again = ([block.words.tolist() for block in capture.blocks(bits)] for _ in range(2))
        assert first == again and capture.taken > 0


# --- what is wrong with one ------------------------------------------------------------------------------------------


def _archive(**entries):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            # Without the time of day: the workers of one run must name the tests alike.
            archive.writestr(zipfile.ZipInfo(name.replace("_", "-")), content, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


GOOD = _archive(version=b"2", metadata=metadata(["M1"]), logic_1_1=bytes(range(256)) * 8)
AGAIN = "save or copy the session again"
DAMAGED = "the session file is damaged or cut short (PATH): save or copy the session again"


def _with_metadata(text):
    return _archive(version=b"2", metadata=text, logic_1_1=b"\0\1")


def _overlapping():
    """Return an archive with a second entry over the first one's bytes, as a bomb has thousands."""
    directory = GOOD.rindex(b"PK\x01\x02")
    entry = GOOD[directory : GOOD.rindex(b"PK\x05\x06")].replace(b"logic-1-1", b"logic-1-2")
    end = GOOD[GOOD.rindex(b"PK\x05\x06") :]
    size = int.from_bytes(end[12:16], "little") + len(entry)
    more = end[:8] + (4).to_bytes(2, "little") * 2 + size.to_bytes(4, "little") + end[16:]
    return GOOD[: -len(end)] + entry + more


def _packed_oddly():
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr(zipfile.ZipInfo("version"), b"2", zipfile.ZIP_LZMA)
    return buffer.getvalue()


@pytest.mark.parametrize(
    "content, message",
    [
        (GOOD[:-100], DAMAGED),
        (GOOD[:60], DAMAGED),
        (GOOD.replace(b"\x00\x01\x02"[:1], b"\x01", 400), DAMAGED),
        (_overlapping(), DAMAGED),
        (_packed_oddly(), "the entry 'version' is packed in a way that is not read here (PATH): save or copy the session again"),
        (_archive(readme=b"hello"), "this archive is no session file: version and metadata are missing (PATH): name a capture"),
        (_archive(version=b"7", metadata=b""), "a session file of a version that is not known here: '7' (PATH): export the capture as VCD"),
        (_archive(version=b"2", metadata=metadata(["M1"])), "the session holds no samples (PATH): capture again"),
        (_archive(version=b"2", metadata=metadata(["M1"]), logic_1_1=b""), "the session holds no samples (PATH): capture again"),
        (_archive(version=b"2", metadata=b"x" * (2 << 20)),
         "the entry metadata of the session holds more than 1048576 bytes (PATH): save or copy the session again"),
        (_with_metadata(""), "the session file cannot be used: its metadata name no device (PATH): save or copy the session again"),
        (_with_metadata("[device 1]\nprobe1=M1\n"),
         "the session file cannot be used: its metadata name no sample rate that can be read (PATH): " + AGAIN + ONE_A_CLOCK),
        (_with_metadata(metadata(["M1"], rate="often")),
         "the session file cannot be used: its metadata name no sample rate that can be read, not 'often' (PATH): "
         + AGAIN + ONE_A_CLOCK),
        (_with_metadata(metadata([])), "the session file cannot be used: its metadata name no channel (PATH): " + AGAIN),
        (_with_metadata(metadata(["M1"] * 9)),
         "the session file cannot be used: its channels need 2 bytes a sample, its metadata say '1' (PATH): " + AGAIN),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said(tmp_path, content, message):
    path = tmp_path / "a.sr"
    path.write_bytes(content)
    with pytest.raises(CaptureError, match="^" + re.escape(message.replace("PATH", str(path))) + "$"):
        rows(path)


def test_a_voltage_that_is_no_number(tmp_path):
    path = write_session(tmp_path / "a.sr", ["M1"], [b"\0\1"], [("RD", [floats(0.1, np.nan)])])
    with pytest.raises(CaptureError, match=r"^a voltage is no number"):
        rows(path)


def test_of_many_samples_each_eighth_stretch_counts_for_the_time_spent_high(tmp_path, monkeypatch):
    monkeypatch.setattr("strobewise.capture.samples.following.EXACT_SAMPLES", 100)
    monkeypatch.setattr("strobewise.capture.samples.following.STRETCH_SAMPLES", 400)
    path = write_session(tmp_path / "a.sr", ["M1"], [bytes([0, 1, 1, 1] * 4000)])
    said = set()
    for block_bytes in (400, 401, 7, 50_000):  # whatever the pieces are
        with SessionCapture(str(path), block_bytes) as capture:
            for _ in capture.blocks([BitAssignment("0", 0, 0)]):
                pass
            edges, high, known, untimed = capture.channel_statistics()["0", 0]
        said.add((edges, high, known, untimed))
        assert (edges, known) == (7999, capture.end_time) and high / (known - untimed) == pytest.approx(0.75, abs=0.01)
        assert known - untimed == pytest.approx(5 / 40 * capture.end_time, rel=1e-6)  # the first of forty stretches, and each eighth
    assert len(said) == 1
