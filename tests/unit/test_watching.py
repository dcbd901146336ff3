"""Following a stream: windows that lose no time, faults where they are, slices for short ones, what is saved."""

from __future__ import annotations

import io
from types import SimpleNamespace

import numpy as np
import pytest

from conftest import TRACES
from strobewise.bus.lines import BIT
from strobewise.bus.model import KIND_INDEX
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.raw.form import parse_raw
from strobewise.capture.raw.reader import RawCapture
from strobewise.capture.records import Block
from strobewise.capture.vcd.reader import VcdCapture
from strobewise.cycles.engine import Batch
from strobewise.cycles.table import CycleTable
from strobewise.diagnosis.facade import diagnose
from strobewise.diagnosis.gathering import gather
from strobewise.errors import CaptureError
from strobewise.evidence import bytes_alone, strobe_leads
from strobewise.machine import simulate
from strobewise.profile.options import Options
from strobewise.watch import watching
from strobewise.watch.stream import Piece, StreamReader, _Queue
from strobewise.watch.stretch import counted, since
from strobewise.watch.watching import Totals, Watch
from strobewise_cli.render.watch_text import duration, print_fault, print_summary, status_text
from watch_streams import NAMES, piece, stream

LENGTH_S = piece()[2] * 1e-9


def follow(path, window_s=0.005, **more):
    """Return the watch and its windows."""
    with open_capture(str(path)) as capture:
        watch = Watch(capture, map_channels(capture.header.channels), Options(), window_s, **more)
        return watch, list(watch.windows())


@pytest.fixture(scope="module")
def healthy(tmp_path_factory):
    path = tmp_path_factory.mktemp("watch") / "healthy.vcd"
    path.write_bytes(b"".join(stream(8)))
    return path


@pytest.fixture(scope="module")
def failing(tmp_path_factory):
    """In the sixth tile /M1 is dead for a millisecond."""
    path = tmp_path_factory.mktemp("watch") / "failing.vcd"
    path.write_bytes(b"".join(stream(8, {5: (1_000_000, 2_000_000)})))
    return path


@pytest.mark.parametrize(("end", "waits"), [(20, 0), (21, 1), (35, 1), (36, 2)])
def test_what_comes_next_is_waited_for_until_it_reaches_far_enough_or_the_stream_ends(end, waits):
    blocks = [Block(np.array([begin, begin + 10]), np.zeros(2, np.uint64), None) for begin in (10, 25)]
    coming = iter([Piece(blocks[1], (), 0), None])
    reader = SimpleNamespace(pieces=_Queue(100))
    reader.pieces.put(Piece(blocks[0], (), 0))
    asked = []

    def waiting():
        asked.append(True)
        reader.pieces.put(next(coming))

    found = StreamReader.peek(reader, end, waiting)
    assert len(asked) == waits and [id(block) for block in found] == [id(block) for block in blocks[: 1 + (waits > 0)]]
    assert len(reader.pieces.held()) == 1 + waits  # nothing was taken


def test_no_time_falls_between_two_windows(healthy):
    watch, windows = follow(healthy)
    assert len(windows) >= 4
    assert [a.end_s for a in windows[:-1]] == [b.start_s for b in windows[1:]]
    assert windows[0].start_s == 0.0 and windows[-1].end_s == pytest.approx(9 * LENGTH_S, abs=1e-6)
    assert [window.number for window in windows] == list(range(1, len(windows) + 1))
    assert windows[-1].taken == healthy.stat().st_size == watch.totals.taken


def test_the_windows_count_what_the_whole_counts(healthy):
    watch, windows = follow(healthy)
    whole = diagnose([healthy]).evidence.cycles
    for kind, count in watch.totals.cycles.items():
        assert abs(count - whole[kind]) <= len(windows), kind  # a cycle may be cut where two windows meet
    assert all(window.clock_hz == pytest.approx(3.15e6, rel=0.005) for window in windows)


def test_a_healthy_stream_has_no_fault(healthy):
    for window_s in (0.002, 0.005, 1.0):
        watch, windows = follow(healthy, window_s)
        assert {window.verdict.state for window in windows} == {"no_fault_found"}
        assert (watch.totals.faulty, watch.totals.undecided, watch.totals.first_fault) == (0, 0, None)


@pytest.mark.parametrize("window_s", [0.002, 0.005])
def test_a_late_fault_is_found_where_it_is(failing, window_s):
    _, windows = follow(failing, window_s)
    low, high = 6 * LENGTH_S + 0.001, 6 * LENGTH_S + 0.002
    faulty = [window for window in windows if window.verdict.state == "fault"]
    assert faulty
    for window in windows:
        inside = window.start_s < high and window.end_s > low
        assert (window in faulty) <= inside, window.number
    first = min(f.first_s for window in faulty for f in window.faults if "M1" in f.lines)
    assert low - 1e-5 <= first <= low + 1e-5


def test_a_short_fault_does_not_drown_in_a_long_window(tmp_path):
    path = tmp_path / "short.vcd"
    path.write_bytes(b"".join(stream(12, {6: (1_000_000, 1_300_000)})))
    (told,) = diagnose([path]).findings  # 0.3 ms in 36 ms: few requests, and all of them in a row
    assert (told.rule, told.severity) == ("fetch-strobe-missing", "fault") and "a burst" in told.evidence
    watch, windows = follow(path, 1.0)
    assert [window.verdict.state for window in windows] == ["fault"]
    assert windows[0].faults[0].rule == "fetch-strobe-missing"
    assert windows[0].faults[0].first_s == pytest.approx(7 * LENGTH_S + 0.001, abs=1e-5)
    assert watch.totals.first_fault is windows[0].faults[0]


def test_a_stream_sampled_too_slowly_is_looked_at_once(tmp_path, monkeypatch):
    """What its strobes seem to miss says nothing: no slice of a window can say more than the whole."""
    path = tmp_path / "coarse.vcd"
    with path.open("w") as file:
        simulate(lines=("M1", "MREQ", "RD"), sample_hz=8_000_000, duration_s=0.02, seed=5).write_vcd(file)
    calls = []
    monkeypatch.setattr(watching, "gather", lambda *args, **more: calls.append(1) or gather(*args, **more))
    _, windows = follow(path)
    assert len(windows) >= 3 and len(calls) == len(windows)
    assert {window.verdict.state for window in windows} == {"cannot_decide"}


def test_a_rule_can_be_passed_over(failing):
    _, windows = follow(failing, 0.005, ignored=frozenset({"fetch-strobe-missing"}))
    assert all(finding.rule != "fetch-strobe-missing" for window in windows for finding in window.findings)
    assert {window.verdict.state for window in windows} == {"no_fault_found"}


def test_what_is_saved_shows_the_fault_on_the_streams_time_axis(failing, tmp_path):
    saved = tmp_path / "fault.vcd"
    with open_capture(str(failing)) as capture:
        watch = Watch(capture, map_channels(capture.header.channels), Options(), 0.005)
        for window in watch.windows():
            if window.verdict.state == "fault":
                out = io.BytesIO()
                watch.save(window, out)
                saved.write_bytes(out.getvalue())
                break
    again = diagnose([saved])
    fault = again.findings[0]
    assert again.verdict.state == "fault" and fault.rule == "fetch-strobe-missing"
    assert fault.first_s == pytest.approx(6 * LENGTH_S + 0.001, abs=1e-5)
    evidence = again.evidence
    assert evidence.start_s == pytest.approx(fault.first_s - 0.005, abs=1e-4)  # the time before it
    assert evidence.end_s >= fault.first_s + 0.001 + 0.002  # and after it
    assert saved.stat().st_size < failing.stat().st_size


def test_saving_takes_nothing_from_the_stream(failing):
    with open_capture(str(failing)) as capture:
        watch = Watch(capture, map_channels(capture.header.channels), Options(), 0.005)
        windows = []
        for window in watch.windows():
            windows.append(window)
            if window.verdict.state == "fault":
                watch.save(window, io.BytesIO())
    _, undisturbed = follow(failing)
    assert [(w.start_s, w.end_s, w.cycles) for w in windows] == [(w.start_s, w.end_s, w.cycles) for w in undisturbed]


def test_memory_holds_a_window_and_a_margin(healthy):
    with open_capture(str(healthy)) as capture:
        watch = Watch(capture, map_channels(capture.header.channels), Options(), 0.002)
        held = []
        for _ in watch.windows():
            held.append(sum(len(block.times) for block in watch._before))
    whole = len(piece()[0]) * 8
    assert max(held) < whole * 0.6 and held[-1] <= max(held[2:-1])


def raw_stream(tiles, faults):
    """Return a stream as an analyser of 24 MHz sends it, a byte a sample: tiles as `stream` makes them, and what --raw says of it."""
    times, words, length = piece()
    samples = []
    for number in range(tiles):
        moments = np.arange(-(-number * length * 24 // 1000), -(-(number + 1) * length * 24 // 1000)) * 1000 / 24 - number * length
        shown = words[np.maximum(np.searchsorted(times, moments, "right") - 1, 0)]
        low, high = faults.get(number, (0, 0))
        shown = np.where((moments >= low) & (moments < high), shown | np.uint64(1 << BIT["M1"]), shown)
        samples.append(sum((shown >> np.uint64(BIT[name]) & np.uint64(1)) << np.uint64(bit) for bit, name in enumerate(NAMES)))
    said = "24M:" + ",".join(f"{name}={bit}" for bit, name in enumerate(NAMES))
    return np.concatenate(samples).astype(np.uint8).tobytes(), parse_raw(said)


@pytest.mark.parametrize("block_bytes", [1 << 18, 5_000])
@pytest.mark.parametrize("window_s", [0.002, 0.02])
def test_raw_samples_are_judged_as_their_edges_are(tmp_path, window_s, block_bytes, monkeypatch):
    monkeypatch.setattr("strobewise.capture.samples.following.EXACT_SAMPLES", 20_000)  # so that most of them are not all counted
    burst = (1_000_000, 1_060_000)  # ns: some 20 fetches
    samples, form = raw_stream(9, {6: burst})
    path = tmp_path / "samples.bin"
    path.write_bytes(samples)
    with RawCapture(str(path), form, block_bytes) as capture:
        watch = Watch(capture, map_channels(capture.header.channels), Options(), window_s)
        windows = list(watch.windows())
    faulty = [window for window in windows if window.verdict.state == "fault"]
    assert {fault.rule for window in faulty for fault in window.faults} == {"fetch-strobe-missing"}
    at = 6 * piece()[2] * 1e-9 + burst[0] * 1e-9
    assert min(fault.first_s for window in faulty for fault in window.faults) == pytest.approx(at, abs=1e-5)
    assert {window.verdict.state for window in windows if window not in faulty} == {"no_fault_found"}
    assert watch.totals.inferred_fetches <= 40 and all(sum(window.cycles.values()) > 100 for window in windows[:-1])


def test_labels_are_looked_at_until_they_are_seen_to_be_right(healthy, failing, monkeypatch):
    looked = []
    real = strobe_leads._mislabelled
    monkeypatch.setattr(strobe_leads, "_mislabelled", lambda stretch: looked.append(int(stretch.times[0])) or real(stretch))
    _, windows = follow(healthy, 0.005)
    assert len(windows) >= 4 and len(looked) == 1
    looked.clear()
    _, windows = follow(failing, 0.005)
    faulty = [window.number for window in windows if window.verdict.state == "fault"]
    behind = [window for window in windows if window.number == faulty[-1] + 1]
    assert not behind or any(abs(at * 1e-9 - behind[0].start_s) < 1e-4 for at in looked)  # once more behind a fault


def test_leads_that_change_places_on_the_way_are_found(healthy, tmp_path):
    """From the middle of the stream on /RD and /RFSH are exchanged."""
    with VcdCapture(str(healthy)) as capture:
        channels = map_channels(capture.header.channels)
        blocks = list(capture.blocks(channels.assignments))
        middle = (int(blocks[0].times[0]) + int(blocks[-1].times[-1])) // 2
        one, other = np.uint64(BIT["RD"]), np.uint64(BIT["RFSH"])

        def exchanged(block):
            unlike = (block.words >> one ^ block.words >> other) & np.uint64(1) & (block.times > middle).astype(np.uint64)
            return block._replace(words=block.words ^ (unlike << one | unlike << other))

        capture.blocks = lambda assignments: iter([exchanged(block) for block in blocks])
        watch = Watch(capture, channels, Options(), 0.005)
        windows = list(watch.windows())
    rules = {fault.rule for window in windows for fault in window.faults if window.start_s > middle * 1e-9}
    assert any("lead" in rule for rule in rules), rules
    assert all(window.verdict.state == "no_fault_found" for window in windows if window.end_s < middle * 1e-9)


def test_of_a_window_fewer_instructions_are_followed_by_their_bytes():
    captured = frozenset(bytes_alone.NEEDED)
    kinds = np.full(5000, KIND_INDEX["opcode_fetch"], np.uint8)
    table = CycleTable.build(np.arange(5000) * 4, np.arange(5000) * 4 + 4, kinds, data=np.zeros(5000, np.int16))
    counts = []
    for window in (False, True):
        part = bytes_alone.make(captured, None, Options(window=window), 1e-9)
        part.feed(Batch(None, kinds, table, np.arange(5000)))
        counts.append(part._cycles)
    assert counts == [5000, bytes_alone.WINDOW_CYCLES]


def test_what_is_read_ahead_is_bounded_by_its_rows(healthy, monkeypatch):
    monkeypatch.setattr("strobewise.watch.stream.READ_AHEAD", 3_000)
    with VcdCapture(str(healthy), 4_000) as capture:
        channels = map_channels(capture.header.channels)
        reader = StreamReader(capture, channels, apart=False)
        longest = 0
        while (next_one := reader.pieces.get(timeout=20)) is not None:
            longest = max(longest, len(next_one.block.times))
            assert sum(len(each.block.times) for each in reader.pieces.held() if each is not None) <= 3_000 + longest
        reader.stop()
        assert 0 < longest < 1_000 and not reader.pieces.held()


def test_a_damaged_stream_is_judged_up_to_the_damage(healthy, tmp_path):
    path = tmp_path / "damaged.vcd"
    path.write_bytes(healthy.read_bytes() + b"#banana\n#999999999 1!\n")
    with open_capture(str(path)) as capture:
        watch = Watch(capture, map_channels(capture.header.channels), Options(), 0.005)
        windows = []
        with pytest.raises(CaptureError, match="banana"):
            for window in watch.windows():
                windows.append(window)
    assert len(windows) >= 4


def test_each_window_has_counters_of_its_own(healthy, monkeypatch):
    stretches = []

    def noted(path, stretch, *rest, **more):
        stretches.append(stretch)
        return gather(path, stretch, *rest, **more)

    monkeypatch.setattr(watching, "gather", noted)
    _, windows = follow(healthy)
    assert len(stretches) == len(windows) >= 4
    for stretch in stretches[1:]:
        for counts in stretch.statistics.values():
            assert counts.known_ticks == pytest.approx(stretch.end_time - stretch.start_time, rel=0.01)


@pytest.mark.parametrize("maps", [[], ["RD=!nRD"]])
def test_counters_of_a_stretch(maps):
    path = str(TRACES / "good" / "healthy-eight.vcd.gz")
    with open_capture(path) as capture:
        channels = map_channels(capture.header.channels, maps)
        blocks = list(capture.blocks(channels.assignments))
        whole = capture.channel_statistics()
    from strobewise.capture.records import Block

    rows = Block(np.concatenate([b.times for b in blocks]), np.concatenate([b.words for b in blocks]), None)
    known = counted(rows, channels)
    assert {key: value.edges for key, value in known.items()} == {key: whole[key].edges for key in known}
    assert {key: value.high_ticks for key, value in known.items()} == {key: whole[key].high_ticks for key in known}
    assert since(whole, whole) == {key: (0, 0, 0, 0) for key in whole} and since({}, whole) == whole


def test_what_people_read(failing):
    watch, windows = follow(failing)
    fault = next(window for window in windows if window.verdict.state == "fault")
    out = io.StringIO()
    print_fault(fault, out)
    print_summary(watch.totals, 2.0, out)
    text = out.getvalue()
    assert text.startswith(f"FAULT in window {fault.number}, ") and "fetch-strobe-missing (0.0" in text
    assert f"windows: {len(windows)}, with a fault {watch.totals.faulty}, undecided 0\n" in text
    assert "first fault: fetch-strobe-missing at " in text
    out = io.StringIO()
    print_summary(Totals(), 0.0, out)
    assert "cycles: none" in out.getvalue() and "no fault seen" in out.getvalue()


def test_status_line():
    totals = Totals(windows=3, start_s=1.0, end_s=3724.0, taken=450_000_000, cycles={"opcode_fetch": 12_345_678})
    assert status_text(totals, 3.0, 0.0) == "3.0 s  stream 1 h 02 min  150 MB/s  12.3 M cycles  no fault"
    assert status_text(totals, 3.0, 7.0).startswith("nothing has come for 7 s")
    assert [duration(0.25), duration(61), duration(7260)] == ["0.2 s", "1 min 01 s", "2 h 01 min"]


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.0, "0.0 s"), (59.94, "59.9 s"), (60.0, "1 min 00 s"), (61.9, "1 min 01 s"), (3599.0, "59 min 59 s"), (3600.0, "1 h 00 min"),
     (90_061.0, "25 h 01 min")],
)  # fmt: skip
def test_lengths_of_time_as_a_clock_shows_them(seconds, said):
    assert duration(seconds) == said
