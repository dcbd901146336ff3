"""A demo capture as programs of many makers and countries write it as CSV: the same cycles and the same verdict."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from fractions import Fraction

import pytest
from test_sampled_output import told

from conftest import TRACES, all_traces
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.scope.header import NO_UNIT
from strobewise.capture.scope.remarks import Remarks
from strobewise_cli.main import main

EIGHT = TRACES / "good" / "healthy-eight.vcd.gz"
RATE = 24_000_000


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """Return what the capture says, the names of its channels, and its rows: (seconds, levels as text)."""
    folder = tmp_path_factory.mktemp("base")
    assert main(["prepare", str(EIGHT), "-o", str(folder / "base.csv")]) == 0
    head, *rows = csv.reader(io.StringIO((folder / "base.csv").read_text()))
    return told(EIGHT, folder), head[1:], [(Decimal(time), levels) for time, *levels in rows]


def comma(text):
    return text.replace(".", ",")


def seconds(time):
    return f"{time:.12f}"


def exponent(time):
    return f"{time:.12E}"


def in_us(time):
    return f"{time * 10**6:.6f}"


def in_ns(time):
    return f"{time * 10**9:.3f}"


def plain(cell):
    return cell


def quoted(cell):
    return f'"{cell}"'


#: Name -> head of the column of times (None: no head at all), how a time is written, separator, line end, how a cell is written, encoding.
TABLES = {
    "us": ("Time [us]", in_us, ",", "\n", plain, "utf-8"),
    "micro sign": ("Time [µs]", in_us, ",", "\n", plain, "utf-8"),
    "micro sign of another encoding": ("Time [µs]", in_us, ",", "\r\n", plain, "cp1252"),
    "mu": ("Time (μs)", in_us, ",", "\n", plain, "utf-8"),
    "decimal comma": ("Zeit [µs]", lambda t: comma(in_us(t)), ";", "\r\n", plain, "cp1252"),
    "mark of order and quotes": ("Time [s]", seconds, ",", "\r\n", quoted, "utf-8-sig"),
    "quotes around a decimal comma": ("Time [us]", lambda t: comma(in_us(t)), ",", "\r\n", quoted, "utf-8-sig"),
    "quotes and semicolons": ("Time [us]", lambda t: comma(in_us(t)), ";", "\r\n", quoted, "utf-8-sig"),
    "tabs": ("Time [us]", lambda t: comma(in_us(t)), "\t", "\n", plain, "utf-8"),
    "no head": (None, seconds, ",", "\n", plain, "utf-8"),
    "no head, decimal comma": (None, lambda t: comma(seconds(t)), ";", "\n", plain, "utf-8"),
    "exponents": ("Time [s]", lambda t: comma(exponent(t)), ";", "\n", plain, "utf-8"),
    "quantity over unit": ("t/µs", in_us, ",", "\n", plain, "utf-8"),
    "quantity / unit": ("t / ns", in_ns, ",", "\n", plain, "utf-8"),
    "unit behind a dash": ("time_us", in_us, ",", "\n", plain, "utf-8"),
    "unit behind a comma": ("Time, us", in_us, ";", "\n", plain, "utf-8"),
    "unit in words": ("Time (microseconds)", in_us, ",", "\n", plain, "utf-8"),
    "unit alone": ("nanoseconds", in_ns, ",", "\n", plain, "utf-8"),
    "blanks": ("Time [ms]", lambda t: f"{t * 1000:.9f}", " , ", "\n", plain, "utf-8"),
    "a last separator": ("Time [s]", seconds, ",", ",\n", plain, "utf-8"),
}


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name.split(".")[0])
def test_every_demo_capture_says_the_same_as_the_table_of_another_country(trace, tmp_path):
    assert main(["prepare", str(trace), "-o", str(tmp_path / "base.csv")]) == 0
    head, *rows = csv.reader(io.StringIO((tmp_path / "base.csv").read_text()))
    table = written(TABLES["decimal comma"], head[1:], [(Decimal(time), levels) for time, *levels in rows])
    (tmp_path / "a.csv").write_bytes(table)
    assert told(tmp_path / "a.csv", tmp_path) == told(trace, tmp_path)


def written(table, names, rows):
    head, stamp, separator, end, cell, encoding = table
    lines = [[head, *names]] if head is not None else []
    lines += [[stamp(time), *levels] for time, levels in rows]
    return "".join(separator.join(map(cell, line)) + end for line in lines).encode(encoding)


@pytest.mark.parametrize("name", TABLES)
def test_a_table_with_times_says_the_same(name, base, tmp_path):
    due, names, rows = base
    (tmp_path / "a.csv").write_bytes(written(TABLES[name], names, rows))
    maps = [word for at, line in enumerate(names, 1) for word in ("--map", f"{line}=CH{at}")] if TABLES[name][0] is None else []
    assert told(tmp_path / "a.csv", tmp_path, maps) == due


@pytest.mark.parametrize("units", [["us", *[""] * 8], ["(us)", *["(V)"] * 8], ["µs", *["V"] * 8]])
def test_units_on_a_line_of_their_own(units, base, tmp_path):
    due, names, rows = base
    text = written(TABLES["us"], names, rows).decode().replace("Time [us]", "Time").split("\n", 1)
    (tmp_path / "a.csv").write_text("\n".join([text[0], ",".join(units), text[1]]))
    assert told(tmp_path / "a.csv", tmp_path) == due


#: What stands above rows that are samples, and by what they are parted.
RATES = (
    ("Sample rate: 24 MHz", ","), ("; Samplerate: 24 MHz", ";"), ('"Sample rate: 24 MHz"', ","), ("Sample rate,24000000", ","),
    ("Samplerate;24000 kHz", ";"), ("Samplerate;24,0 MHz", ";"), ("Sample rate: 24,000,000 Hz", ","),
    ("Abtastrate\nSampling rate: 24 MS/s", ","), ("Sample Rate = 24 MSa/s", ","), ("Sampling frequency,2.4e+07", ","),
)  # fmt: skip


@pytest.fixture(scope="module")
def samples(base):
    _, _, rows = base
    places = [round(time * RATE) for time, _ in rows]
    held = [levels for at, (_, levels) in enumerate(rows[:-1]) for _ in range(places[at + 1] - places[at])]
    return [*held, rows[-1][1]]


@pytest.mark.parametrize(("remark", "separator"), RATES, ids=[remark for remark, _ in RATES])
def test_a_table_of_samples_says_the_same(remark, separator, base, samples, tmp_path):
    due, names, _ = base
    (tmp_path / "a.csv").write_text(remark + "\n" + "".join(separator.join(row) + "\n" for row in (names, *samples)))
    assert told(tmp_path / "a.csv", tmp_path) == due


@pytest.mark.parametrize(
    ("line", "hertz"),
    [
        ("Sample rate: 24 MHz, 8 channels", 24_000_000), ("Sample rate: 12.5M", 12_500_000), ("samplerate: 24m", 24_000_000),
        ("Sample rate: 24.000.000 Hz", 24_000_000), ("Sample rate: 1,000.5 kHz", 1_000_500), ("Sampling rate: 1 GS/s", 10**9),
        ("Sample rate: 24,000 kHz", None), ("Sample rate: 24 ns", None), ("Sample rate: 24 samples", None), ("Sample rate: 24 MHzz", None),
        ("Sample rate: 24 M/s", None), ("Sample rate: 1,00,0 Hz", None), ("Sample rate: 1e30 Hz", None), ("Sample rate:", None),
    ],
)  # fmt: skip
def test_rates_in_remarks(line, hertz):
    assert Remarks().and_line(line).rate == (None if hertz is None else Fraction(hertz))


def test_a_rate_that_the_times_contradict_is_not_theirs(base, tmp_path):
    due, names, rows = base
    (tmp_path / "a.csv").write_bytes(b"Sample rate: 1 MS/s\n" + written(TABLES["us"], names, rows))
    assert told(tmp_path / "a.csv", tmp_path) == due


@pytest.mark.parametrize(("head", "step", "warned"), [("Time", "0.0001", True), ("Time", "0.00001", False), ("Time [s]", "1", False)])
def test_long_times_without_a_unit_are_doubted(head, step, warned, tmp_path):
    (tmp_path / "a.csv").write_text(f"{head},M1\n" + "".join(f"{at * Decimal(step)},{at % 2}\n" for at in range(9)))
    with open_capture(str(tmp_path / "a.csv")) as capture:
        for _ in capture.blocks(map_channels(capture.header.channels).assignments):
            pass
        assert (NO_UNIT in capture.warnings) == warned
