"""The VCD reader says what an independent one says, in every dialect, whatever the block size and whichever of its readers takes a block.

The other reader is the package vcdvcd. It cannot read a vector on the line of its time, two changes on a line without a
time, a value and its id on two lines, or a capture without a line end; those dialects are compared with what it says of the
same capture written one change a line.
"""

from __future__ import annotations

import gzip
import random
from typing import NamedTuple

import numpy as np
import pytest
import vcdvcd
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.capture import open_capture
from strobewise.capture.records import BitAssignment
from strobewise.capture.vcd import reader as vcd
from strobewise.capture.vcd import state
from strobewise.errors import CaptureError

ODD_CODES = ["!", '"', "#", "$", "0", "1", "9", "b", "B", "r", "s", "x", "!!", "#1", "1b", "b1", "$end", "$dumpoff", "longer_than_eight"]
PRINTABLE = "".join(map(chr, range(0x21, 0x7F)))


class Signal(NamedTuple):
    code: str
    width: int


class Change(NamedTuple):
    signal: int
    digits: str
    as_vector: bool


def capture(seed):
    """Return random channels and events, (time step, changes) pairs; the first step is the first time of all."""
    rng = random.Random(seed)
    codes = {rng.choice(ODD_CODES) if rng.random() < 0.5 else "".join(rng.choices(PRINTABLE, k=rng.randint(1, 3))) for _ in range(6)}
    channels = [Signal(code, rng.choice([1, 1, 1, 2, 8, 9, 16, 64])) for code in sorted(codes)]
    alphabet = rng.choice(["01", "01", "01xzXZ"])

    def change(number):
        width = channels[number].width
        digits = "".join(rng.choices(alphabet, k=rng.choice([1, width, rng.randint(1, width)])))
        return Change(number, digits, width > 1 or rng.random() < 0.1)

    events = [
        (rng.choice([0, 1, 3, 10, 999, 12345, 10**12]), [change(rng.randrange(len(channels))) for _ in range(rng.randint(0, 5))])
        for _ in range(rng.randint(1, 40))
    ]
    events[0][1].append(change(0))
    return channels, events


seeds = st.integers(0, 1 << 40)


class Dialect(NamedTuple):
    newline: str
    layout: str  # "lines", "time line" (a time and its changes on a line) or "free" (any blanks between words)
    dumps: bool  # $dumpvars, $comment and others in the body
    last_line_end: bool
    meta: bool  # a stray first line


dialects = st.builds(
    Dialect, st.sampled_from(["\n", "\r\n"]), st.sampled_from(["lines", "time line", "free"]), st.booleans(), st.booleans(), st.booleans()
)
SMALL_HEAD = b"$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end "
PLAIN = Dialect("\n", "lines", False, True, False)


def write(channels, events, dialect, seed=0):
    rng = random.Random(seed)
    head = ["META samplerate: 24000000"] if dialect.meta else []
    head += ["$date today $end", "$timescale 1 ns $end", "$scope module top $end"]
    for number, (code, width) in enumerate(channels):
        head.append(f"$var wire {width} {code} n{number}{f' [{width - 1}:0]' if width > 1 else ''} $end")
    head += ["$upscope $end", "$enddefinitions $end"]
    time, pieces = 0, []
    for step, changes in events:
        time += step
        words = [f"b{c.digits} {channels[c.signal].code}" if c.as_vector else c.digits + channels[c.signal].code for c in changes]
        if dialect.dumps and rng.random() < 0.3:
            words = [rng.choice(["$dumpvars", "$dumpall", "$dumpon", "$dumpoff"]), *words, "$end"]
        if dialect.dumps and rng.random() < 0.1:
            words.append("$comment 1! #5 b0 ! $end")
        if dialect.layout == "time line":
            pieces.append(" ".join([f"#{time}", *words]))
        else:
            pieces += [f"#{time}", *words]
    body = dialect.newline.join(pieces)
    if dialect.layout == "free":
        body = "".join(word + rng.choice([" ", "  ", "\t", "\n", "\r\n", " \n "]) for word in body.split())
    elif dialect.last_line_end:
        body += dialect.newline
    return dialect.newline.join([*head, body])


def extended(digits, width):
    """Left-extend a value: IEEE 1364-2005, clause 18."""
    fill = digits[0] if digits[0] in "xXzZ" else "0"
    return digits.rjust(width, fill)


def expected(channels, events):
    """Return (times, words, unknown) from vcdvcd's list of changes; a bit that is not known keeps its last level."""
    other = vcdvcd.VCDVCD(vcd_string=write(channels, events, PLAIN))
    times = sorted(set(np.cumsum([step for step, _ in events]).tolist()))
    words, unknown, bits, base = [], [], {}, 0
    level, lacking = 0, 0
    for channel in channels:
        for position in range(channel.width):
            if base + position < 64:
                bits[channel.code, position] = base + position
                lacking |= 1 << base + position
        base += channel.width
    changes = sorted(
        (time, order, channel.code, extended(value, channel.width))
        for channel in channels
        for order, (time, value) in enumerate(other.data[channel.code].tv)
    )
    index = 0
    for time in times:
        while index < len(changes) and changes[index][0] == time:
            _, _, code, value = changes[index]
            for position, digit in enumerate(reversed(value)):
                bit = bits.get((code, position))
                if bit is not None and digit in "01":
                    level = level & ~(1 << bit) | int(digit) << bit
                    lacking &= ~(1 << bit)
                elif bit is not None:
                    lacking |= 1 << bit
            index += 1
        words.append(level)
        unknown.append(lacking)
    assert other.endtime == times[-1]
    return times, words, unknown


def assignments(channels):
    places = [(code, position) for code, width in channels for position in range(width)]
    return [BitAssignment(code, position, target) for target, (code, position) in enumerate(places[:64])]


def read(path, bits, block_bytes=1 << 18):
    with vcd.VcdCapture(str(path), block_bytes) as capture:
        blocks = list(capture.blocks(bits))
        times = np.concatenate([block.times for block in blocks])
        assert (np.diff(times) > 0).all()
        assert all(block.times.dtype == np.int64 and block.words.dtype == np.uint64 for block in blocks)
        words = np.concatenate([block.words for block in blocks])
        unknown = np.concatenate([np.zeros_like(block.words) if block.unknown is None else block.unknown for block in blocks])
        told = (times.tolist(), words.tolist(), unknown.tolist())
        return told, capture.channel_statistics(), (capture.start_time, capture.end_time), capture.warnings


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("vcd") / "random.vcd"


@settings(max_examples=150, deadline=None)
@given(seed=seeds, dialect=dialects, block_bytes=st.sampled_from([7, 64, 500, 1 << 18]))
def test_reads_what_an_independent_reader_reads(scratch, seed, dialect, block_bytes):
    channels, events = capture(seed)
    scratch.write_bytes(write(channels, events, dialect, seed).encode("ascii"))
    told, _, (start, end), _ = read(scratch, assignments(channels), block_bytes)
    times, words, unknown = expected(channels, events)
    assert told == (times, words, unknown)
    assert (start, end) == (times[0], times[-1])


def statistics_by_hand(channels, told, end):
    """Count from the rows what the reader counts from the changes."""
    times, words, unknown = told
    found = {}
    for target, bit in enumerate(assignments(channels)):
        levels = [word >> target & 1 for word in words]
        known = [not lack >> target & 1 for lack in unknown]
        spans = np.diff([*times, end]).tolist()
        first = known.index(True) if True in known else len(known)
        edges = sum(a != b for a, b in zip(levels[first:], levels[first + 1 :], strict=False))
        high = sum(span for span, level, sure in zip(spans, levels, known, strict=True) if level and sure)
        found[bit.code, bit.bit_in_vector] = (edges, high, sum(span for span, sure in zip(spans, known, strict=True) if sure), 0)
    return found


@settings(max_examples=100, deadline=None)
@given(seed=seeds, block_bytes=st.sampled_from([13, 200, 1 << 18]))
def test_statistics_are_those_of_the_rows(scratch, seed, block_bytes):
    channels, events = capture(seed)
    events = [(step + 1, list({change.signal: change for change in changes}.values())) for step, changes in events]
    scratch.write_text(write(channels, events, PLAIN))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(state, "EXACT_BLOCKS", 1 << 30)
        told, counted, (_, end), _ = read(scratch, assignments(channels), block_bytes)
    for key, hand in statistics_by_hand(channels, told, end).items():
        assert counted[key] == hand


def busy_capture(seed, vectors, unknowns, redundant, long_codes):
    """Return a capture of the kind that the table-driven readers are for, long enough for several blocks."""
    rng = random.Random(seed)
    codes = rng.sample([*ODD_CODES, "n1", "n2", "n3"] if long_codes else [c for c in PRINTABLE if c not in "rRsS"], rng.randint(1, 12))
    channels = [Signal(code, rng.choice([1, 1, 2, 8, 13, 16]) if vectors else 1) for code in codes]
    now = ["".join(rng.choice("01") for _ in range(width)) for _, width in channels]
    events = [(rng.choice([0, 7, 10**7 - 3]), [Change(k, digits, len(digits) > 1) for k, digits in enumerate(now)])]
    for _ in range(rng.randint(50, 400)):
        changes = []
        for number in rng.sample(range(len(channels)), rng.randint(1, len(channels))):
            width = channels[number].width
            digits = "".join(rng.choice("01") for _ in range(width))
            if width == 1 and not (redundant and rng.random() < 0.02):
                digits = "0" if now[number] == "1" else "1"
            if unknowns and rng.random() < 0.01:
                digits = rng.choice("xz") * width
            now[number] = digits
            short = digits.lstrip("0") or "0"
            changes.append(Change(number, short if rng.random() < 0.3 else digits, width > 1))
        events.append((rng.choice([1, 3, 42, 250, 9999, 123456789 if rng.random() < 0.05 else 7]), changes))
    return channels, events


def without(patch, *readers):
    for name in readers:
        patch.setattr(vcd, name, lambda *_: None)


@settings(max_examples=40, deadline=None)
@given(
    seed=seeds, kind=st.tuples(*[st.booleans()] * 4), block_bytes=st.sampled_from([100, 1000, 5000, 1 << 18]),
    layout=st.sampled_from(["lines", "time line"]),
)  # fmt: skip
def test_all_readers_agree(scratch, seed, kind, block_bytes, layout):
    channels, events = busy_capture(seed, *kind)
    bits = [bit._replace(inverted=random.Random(seed).random() < 0.2) for bit in assignments(channels)]
    dropped = bits[:: 1 + seed % 3]  # channels that nobody mapped
    scratch.write_text(write(channels, events, PLAIN._replace(layout=layout)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(state, "EXACT_BLOCKS", 1 << 30)
        fast = read(scratch, dropped, block_bytes)
        without(patch, "read_plain")
        mixed = read(scratch, dropped, block_bytes)
        without(patch, "read_mixed")
        general = read(scratch, dropped)
    assert fast == general
    assert mixed == general


@settings(max_examples=30, deadline=None)
@given(seed=seeds, block_bytes=st.sampled_from([50, 1000]))
def test_volts_become_the_same_levels_in_every_reader(scratch, seed, block_bytes):
    rng = random.Random(seed)
    head = "$timescale 1 ns $end $var real 64 ! M1 $end $var real 64 r! MREQ $end $var wire 1 r CLK $end $var string 1 s note $end "
    head += "$var event 1 e tick $end "
    lines = [head + "$enddefinitions $end", "#0", "r0.1 !", "0r"]
    for time in range(1, rng.randint(5, 200)):
        lines += [f"#{time * 10}", f"{rng.choice('01')}r"]
        lines += [f"r{rng.gauss(1.5, 1.5):.4g} {code}" for code in rng.sample(["!", "r!"], rng.randint(0, 2))]
        lines += ["1e"] if rng.random() < 0.2 else []
        lines += ["sHello s"] if rng.random() < 0.02 else []
    scratch.write_text("\n".join(lines) + "\n")
    bits = [BitAssignment("!", 0, 1), BitAssignment("r!", 0, 0, True), BitAssignment("r", 0, 2)]
    told = []
    for patched in ((), ("read_plain", "read_mixed")):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(state, "EXACT_BLOCKS", 1 << 30)
            without(patch, *patched)
            told.append(read(scratch, bits, block_bytes))
            with vcd.VcdCapture(str(scratch), block_bytes) as capture:
                list(capture.blocks(bits))
                told[-1] += (capture.analog_levels(),)
    assert told[0] == told[1]


@settings(max_examples=25, deadline=None)
@given(seed=seeds, kind=st.tuples(*[st.booleans()] * 4))
def test_blocks_that_are_not_counted_only_leave_ticks_out(scratch, seed, kind):
    channels, events = busy_capture(seed, *kind)
    scratch.write_text(write(channels, events, PLAIN))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(state, "EXACT_BLOCKS", 1 << 30)
        whole = read(scratch, assignments(channels), 300)
        patch.setattr(state, "EXACT_BLOCKS", 0)
        patch.setattr(state, "SAMPLED_BLOCKS", 3)
        part = read(scratch, assignments(channels), 300)
    assert part[0] == whole[0]
    for key, counted in whole[1].items():
        sampled = part[1][key]
        assert sampled.edges == counted.edges
        assert sampled.known_ticks == counted.known_ticks  # a line is not unknown where nobody counted how long it was high
        timed = sampled.known_ticks - sampled.untimed_ticks
        assert 0 <= sampled.high_ticks <= min(timed, counted.high_ticks)
        assert timed - sampled.high_ticks <= counted.known_ticks - counted.high_ticks


@pytest.mark.parametrize(
    "kind, reader",
    [((False, False, False, False), "read_plain"), ((True, False, False, False), "read_plain"), ((False, False, True, False), "read_plain"),
     ((False, True, False, False), "read_mixed"), ((True, True, True, True), "read_mixed")],
)  # fmt: skip
def test_blocks_are_taken_by_the_reader_meant_for_them(scratch, kind, reader):
    """Without this the readers could agree because one of them takes everything."""
    taken = 0
    for seed in range(8):
        channels, events = busy_capture(seed, *kind)
        scratch.write_text(write(channels, events, PLAIN))
        with pytest.MonkeyPatch.context() as patch:
            counts = {"read_plain": 0, "read_mixed": 0}
            for name in counts:
                original = getattr(vcd, name)

                def spy(*args, name=name, original=original, counts=counts):
                    done = original(*args)
                    counts[name] += done is not None
                    return done

                patch.setattr(vcd, name, spy)
            patch.setattr(vcd, "NOT_PLAIN_BLOCKS", 1 << 30)
            read(scratch, assignments(channels), 700)
        taken += counts[reader] > 0
    assert taken >= 6


@settings(max_examples=60, deadline=None)
@given(seed=seeds, cut=st.floats(0, 1))
def test_a_gzipped_capture_reads_the_same_and_a_cut_one_is_refused(scratch, seed, cut):
    channels, events = capture(seed)
    text = write(channels, events, PLAIN).encode()
    scratch.write_bytes(text)
    plain = read(scratch, assignments(channels))
    packed = gzip.compress(text[: len(text) // 2]) + gzip.compress(text[len(text) // 2 :]) + b"\0" * 20
    scratch.write_bytes(packed)
    assert read(scratch, assignments(channels)) == plain
    whole = gzip.compress(text)
    scratch.write_bytes(whole[: 3 + int(cut * (len(whole) - 4))])
    with pytest.raises(CaptureError, match=r"^the gzip file is cut short \("):
        read(scratch, assignments(channels))


@settings(max_examples=60, deadline=None)
@given(data=st.data(), seed=seeds, block_bytes=st.sampled_from([9, 64, 1 << 18]))
def test_a_capture_cut_anywhere_reads_up_to_the_cut(scratch, data, seed, block_bytes):
    channels, events = capture(seed)
    text = write(channels, events, PLAIN)
    times, words, unknown = expected(channels, events)
    body = text.index("$enddefinitions $end") + 21
    first = text.index("\n", text.index("\n", body) + 1)
    cut = data.draw(st.integers(first, len(text)))
    scratch.write_text(text[:cut])
    told, _, _, warnings = read(scratch, assignments(channels), block_bytes)
    rows = len(told[0])
    assert told[0][:-1] == times[: rows - 1]  # the last time itself may be cut, and its changes not all there
    assert (told[1][: rows - 1], told[2][: rows - 1]) == (words[: rows - 1], unknown[: rows - 1])
    assert all(warning.startswith("line ") and warning.endswith(" is cut off: the capture is read up to there") for warning in warnings)


@settings(max_examples=80, deadline=None)
@given(data=st.data(), block_bytes=st.sampled_from([64, 1 << 18]))
def test_damaged_files_are_read_or_refused_in_one_line(scratch, data, block_bytes):
    channels, events = busy_capture(data.draw(seeds), *data.draw(st.tuples(*[st.booleans()] * 4)))
    text = bytearray(write(channels, events[:80], PLAIN).encode())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(text) - 1))
        piece = data.draw(st.one_of(st.binary(max_size=8), st.sampled_from([b"$end", b"#", b"#0 ", b"b ", b" x", b"\x1b[2J", b"\0"])))
        length = data.draw(st.sampled_from([0, 1, 5, 200]))
        text[at : at + length] = piece
    _reads_or_refuses(scratch, bytes(text), block_bytes)


@settings(max_examples=100, deadline=None)
@given(data=st.binary(max_size=400), head=st.sampled_from([b"", SMALL_HEAD, b"\x1f\x8b"]))
def test_any_bytes_are_read_or_refused_in_one_line(scratch, data, head):
    _reads_or_refuses(scratch, head + data, 64)


@settings(max_examples=60, deadline=None)
@given(seed=seeds)
def test_shuffled_words_are_read_or_refused_in_one_line(scratch, seed):
    channels, events = busy_capture(seed, *[seed >> k & 1 == 1 for k in range(4)])
    words = write(channels, events[:50], PLAIN).split()
    random.Random(seed).shuffle(words)
    _reads_or_refuses(scratch, " ".join(words).encode(), 64)
    head, _, body = write(channels, events[:50], PLAIN).partition("$enddefinitions $end")
    lines = body.split("\n")
    random.Random(seed).shuffle(lines)
    _reads_or_refuses(scratch, (head + "$enddefinitions $end\n" + "\n".join(lines)).encode(), 64)


def _reads_or_refuses(scratch, text, block_bytes):
    scratch.write_bytes(text)
    try:
        with open_capture(str(scratch)) as capture:
            capture.block_bytes = block_bytes
            codes = {channel.code for channel in capture.header.channels if channel.is_logic}
            for block in capture.blocks([BitAssignment(code, 0, k) for k, code in enumerate(sorted(codes)[:64])]):
                assert len(block.times) == len(block.words) > 0
    except CaptureError as error:
        assert "\n" not in str(error) and "\x1b" not in str(error)
        assert error.remedy
