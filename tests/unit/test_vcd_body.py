"""The body of a VCD: blocks of words, unknown bits, volts, statistics, pipes, and what is wrong with a bad one."""

from __future__ import annotations

import gzip
import os
import re
import subprocess
import sys
import textwrap
import threading

import numpy as np
import pytest

from strobewise.capture import BitAssignment, limits, open_capture
from strobewise.capture.vcd import reader as vcd
from strobewise.capture.vcd.state import TickCount
from strobewise.errors import CaptureError

LATEST = 4 * 10**18  #: ticks, see limits

HEAD = "$timescale 1 ns $end\n$var wire 1 ! CLK $end\n$var wire 8 d D [7:0] $end\n$enddefinitions $end\n"
CLK, D0, D7 = BitAssignment("!", 0, 0), BitAssignment("d", 0, 32), BitAssignment("d", 7, 39)
MEND = "correct or delete that line, or capture again"


def write(tmp_path, body, head=HEAD):
    path = tmp_path / "c.vcd"
    path.write_bytes((head + body).encode() if isinstance(body, str) else body)
    return path


def read(path, *bits):
    with open_capture(str(path)) as capture:
        blocks = list(capture.blocks(bits))
    times = np.concatenate([block.times for block in blocks]).tolist()
    words = np.concatenate([block.words for block in blocks]).tolist()
    unknown = np.concatenate([np.zeros_like(block.words) if block.unknown is None else block.unknown for block in blocks]).tolist()
    return capture, times, words, unknown


def test_words_show_the_assigned_bits_only(tmp_path):
    path = write(tmp_path, "#0\n1!\nb10000001 d\n#5\nb0 d\n#7\n0!\n#9\n")
    assert read(path, CLK, D0, D7)[1:] == ([0, 5, 7, 9], [1 | 1 << 32 | 1 << 39, 1, 0, 0], [0] * 4)
    assert read(path, D7)[2] == [1 << 39, 0, 0, 0]
    assert read(path)[2] == [0, 0, 0, 0]


def test_an_inverted_probe_and_one_bit_on_two_lines(tmp_path):
    path = write(tmp_path, "#0\n1!\n#5\n0!\n")
    assert read(path, BitAssignment("!", 0, 3, True), BitAssignment("!", 0, 60))[2] == [1 << 60, 1 << 3]


def test_a_bit_is_unknown_before_its_first_value_and_while_it_is_x_or_z(tmp_path):
    _, times, words, unknown = read(write(tmp_path, "#0\n1!\n#1\nx!\n#2\nbz1 d\n#3\n0!\n#4\nb00000000 d\n#5\n1!\n"), CLK, D0, D7)
    both = 1 << 32 | 1 << 39
    assert times == [0, 1, 2, 3, 4, 5]
    assert words == [1, 1, 1 | 1 << 32, 1 << 32, 0, 1]  # a bit that is not known keeps its last level
    assert unknown == [both, both | 1, 1 << 39 | 1, 1 << 39, 0, 0]


def test_blocks_say_none_where_all_is_known(tmp_path):
    with open_capture(str(write(tmp_path, "#0\n1!\n#1\n0!\n"))) as capture:
        assert [block.unknown for block in capture.blocks([CLK])] == [None, None]


def test_values_before_the_first_time_count_from_it(tmp_path):
    capture, times, words, unknown = read(write(tmp_path, "$dumpvars 1! b1 d $end\n#100\n#150\n0!\n#200\n"), CLK, D0)
    assert (times, words, unknown) == ([100, 150, 200], [1 | 1 << 32, 1 << 32, 1 << 32], [0, 0, 0])
    assert capture.channel_statistics()["!", 0] == (1, 50, 100, 0)
    assert capture.channel_statistics()["d", 7] == (0, 0, 100, 0)
    assert (capture.start_time, capture.end_time) == (100, 200)


def test_a_capture_without_a_time_is_one_row(tmp_path):
    assert read(write(tmp_path, "1!\n"), CLK)[1:] == ([0], [1], [0])


def test_statistics_of_every_bit_mapped_or_not(tmp_path):
    capture, *_ = read(write(tmp_path, "#10\n0!\nb10000000 d\n#20\n1!\n1!\n#30\nx!\n#40\n0!\n#50\n1!\n#60\nb00000001 d\n#70\n"))
    counts = capture.channel_statistics()
    assert counts["!", 0] == (3, 30, 50, 0)  # 0 -> 1 -> x -> 0 -> 1
    assert counts["d", 0] == (1, 10, 60, 0)
    assert counts["d", 7] == (1, 50, 60, 0)
    assert len(counts) == 9
    assert counts.get(("d", 8)) is None


def test_of_a_very_wide_vector_the_lowest_64_bits_and_the_mapped_ones_are_followed(tmp_path):
    head = HEAD.replace("$var wire 8 d D [7:0]", "$var wire 300 d D")
    path = write(tmp_path, f"#0\nb1{'0' * 200} d\n#1\nb{'1' * 300} d\n#2\nbx d\n", head)
    capture, _, words, unknown = read(path, BitAssignment("d", 200, 1))
    assert (words, unknown) == ([2, 2, 2], [0, 0, 2])
    counts = capture.channel_statistics()
    assert (counts["d", 200], counts["d", 63]) == ((0, 2, 2, 0), (1, 1, 2, 0))
    assert ("d", 64) not in counts


def test_volts_are_thresholded_and_kept(tmp_path):
    head = "$timescale 1 us $end $var real 64 v M1 $end $var event 1 e E $end $var string 1 s S $end $enddefinitions $end\n"
    capture, times, words, unknown = read(
        write(tmp_path, "#0 r1.5 v\n#1 r3.3e0 v 1e\n#2 R1.2 v sHi s\n#3 r-0.1 v\n", head), BitAssignment("v", 0, 1)
    )
    assert (times, words, unknown) == ([0, 1, 2, 3], [0, 2, 2, 0], [2, 0, 0, 0])
    levels = capture.analog_levels()["v"]
    assert (levels.minimum_v, levels.maximum_v, levels.falls) == (-0.1, 3.3, 1)
    assert capture.channel_statistics()["v", 0] == (1, 2, 2, 0)


def test_times_up_to_63_bits(tmp_path):
    assert read(write(tmp_path, f"#0\n1!\n#{LATEST}\n0!\n"), CLK)[1] == [0, LATEST]


@pytest.mark.parametrize("bits", [[BitAssignment("?", 0, 0)], [BitAssignment("d", 8, 0)], [BitAssignment("!", 0, 64)], [CLK, CLK]])
def test_assignments_that_cannot_be(tmp_path, bits):
    with open_capture(str(write(tmp_path, "#0\n1!\n"))) as capture, pytest.raises(ValueError, match="bit"):
        capture.blocks(bits)


OFFSET = len(HEAD)


@pytest.mark.parametrize(
    "body, message",
    [
        ("#0\n1!\n1?\n", f"the id '?' is not declared in the header (PATH, line 7, byte {OFFSET + 6}): {MEND}"),
        ("#0\n1!\nb0 dd\n", f"the id 'dd' is not declared in the header (PATH, line 7, byte {OFFSET + 6}): {MEND}"),
        ("#10\n1!\n#9\n", f"time goes backwards, from #10 to #9 (PATH, line 7, byte {OFFSET + 7}): {MEND}"),
        ("#1x\n", f"a time is digits only, not '#1x' (PATH, line 5, byte {OFFSET}): {MEND}"),
        ("#\n", f"a time is digits only, not '#' (PATH, line 5, byte {OFFSET}): {MEND}"),
        ("#-5\n", f"a time is digits only, not '#-5' (PATH, line 5, byte {OFFSET}): {MEND}"),
        (f"#{LATEST + 1}\n", f"the time '#4000000000000000001' is beyond {LATEST} ticks (PATH, line 5, byte {OFFSET}): {MEND}"),
        (f"#1{'0' * 5000}\n", f"the time '#10000000000000000000000...' is beyond {LATEST} ticks (PATH, line 5, byte {OFFSET}): {MEND}"),
        ("#0\nb012 d\n", f"the digits of a value are 0, 1, x or z, not '012' (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("#0\nb d\n", f"the digits of a value are 0, 1, x or z, not '' (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("#0\nb110000000 d\n", f"a value of 9 digits for 'D[7:0]', which has 8 (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("#0\n2!\n", f"a time or a value change is expected, not '2!' (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("#0\n$dumpports\n", f"a time or a value change is expected, not '$dumpports' (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("#0\n\x1b[31m!\n", f"a time or a value change is expected, not '[31m!' (PATH, line 6, byte {OFFSET + 4}): {MEND}"),
        ("#0\nr1.5 !\n", f"a real value for the channel 'CLK', which is not real (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("#0\nrhigh !\n", f"a real value is expected, not 'high' (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("#0\nsHi !\n", f"a text value for the channel 'CLK' (PATH, line 6, byte {OFFSET + 3}): {MEND}"),
        ("", "the capture holds no samples (PATH, line 5, byte OFFSET): export the capture again"),
        ("$comment only $end\n", f"the capture holds no samples (PATH, line 6, byte {OFFSET + 19}): export the capture again"),
    ],
)
def test_what_is_wrong_is_said(tmp_path, body, message):
    path = write(tmp_path, body)
    wanted = message.replace("PATH", str(path)).replace("OFFSET", str(OFFSET))
    with pytest.raises(CaptureError, match="^" + re.escape(wanted) + "$") as caught:
        read(path, CLK)
    assert caught.value.remedy


# Words that one check each finds: at that place times are 1123420 and 1123430, so that some would fit in between or be equal.
BAD_WORDS = [
    *("#12a4567", "#112342:", "#1123425x", "#12_3", "#-5", "#9", "#1000000", "1?", "2!", "9!", "01!", "0!!", "1", "x"),
    *("b2 d", "b d", "b110000000 d", "bx0x0x0x0x d", "b0 dd"),
]


@pytest.mark.parametrize("bad", BAD_WORDS)
@pytest.mark.parametrize("style", ["plain", "x"])
def test_a_bad_word_in_the_middle_of_a_large_file_is_found(tmp_path, bad, style):
    lines = ["#1000000", "0!", "b0 d"]
    lines += [f"#{1000000 + 10 * k}\n{'x' if style == 'x' and k % 7 == 0 else k % 2}!\nb{k % 256:b} d" for k in range(1, 20_000)]
    lines.insert(12_345, bad)
    body = "\n".join(lines) + "\n"
    with pytest.raises(CaptureError) as caught:
        read(write(tmp_path, body), CLK)
    assert caught.value.line == 5 + body[: body.index(f"\n{bad}\n") + 1].count("\n")
    assert caught.value.offset == OFFSET + body.index(f"\n{bad}\n") + 1


@pytest.mark.parametrize("known_again", ["b10100101 d", "b1010010x d\nb10100101 d"])
def test_a_vector_that_is_known_again_with_the_level_it_had(tmp_path, known_again):
    """Nothing of it toggles, so that no running state shows that the block is not plain."""
    quiet = "".join(f"#{k * 10}\n{k % 2}!\n" for k in range(1, 30_000))
    later = "".join(f"#{k * 10}\n{k % 2}!\n" for k in range(30_001, 60_000))
    body = f"#0\n0!\nb10100101 d\n#5\nbz d\n{quiet}#300000\n0!\n{known_again}\n{later}"
    capture, times, words, unknown = read(write(tmp_path, body), CLK, D7)
    assert unknown == [1 << 39 if 5 <= time < 300_000 else 0 for time in times]
    assert [word >> 39 for word in words] == [1] * len(words)
    assert capture.channel_statistics()["d", 7].edges == 0


@pytest.mark.parametrize("filling", ["\n" * 300_000, "$dumpon\n$end\n" * 30_000], ids=["blanks", "keywords"])
def test_what_says_nothing_for_many_blocks_changes_nothing(tmp_path, filling):
    body, rest = "#0\n1!\nb0 d\n#5\nx!\n", "#7\n0!\nb1 d\n#9\n1!\n"
    assert read(write(tmp_path, body + filling + rest), CLK, D0)[1:] == read(write(tmp_path, body + rest), CLK, D0)[1:]


def test_ids_that_are_digits_beside_times(tmp_path, monkeypatch):
    head = "$timescale 1 ns $end " + "".join(f"$var wire 1 {k} n{k} $end " for k in range(10)) + "$enddefinitions $end\n"
    body = "#0 00 01 02 03 04 05 06 07 08 09\n" + "".join(f"#{11 * k} {1 - k // 10 % 2}{k % 10}\n" for k in range(20_000))
    path = write(tmp_path, body.replace("#0 10\n", "#5 10\n", 1), head)
    refused = []
    original = vcd.read_mixed
    monkeypatch.setattr(vcd, "read_mixed", lambda *args: refused.append(args) or original(*args))
    capture, times, words, _ = read(path, *[BitAssignment(str(k), 0, k) for k in range(10)])
    assert times[:3] == [0, 5, 11]
    assert words[-10:] == [0b1111111111 >> shift << shift for shift in range(1, 11)]
    assert [capture.channel_statistics()[str(k), 0].edges for k in range(10)] == [2000] * 10
    assert not refused  # plain blocks all the same


def test_a_time_that_is_written_before_each_of_its_changes_is_one_row(tmp_path, monkeypatch):
    body = "#0\n0!\n#0\nb0 d\n" + "".join(f"#{k}\n{k % 2}!\n#{k}\nb{k % 256:b} d\n" for k in range(1, 20_000))
    taken = []
    original = vcd.read_plain
    monkeypatch.setattr(vcd, "read_plain", lambda *args: taken.append(original(*args)) or taken[-1])
    _, times, words, _ = read(write(tmp_path, body), CLK, D0, D7)
    assert times == list(range(20_000))
    assert words == [k % 2 | k % 2 << 32 | (k >> 7 & 1) << 39 for k in range(20_000)]
    assert None not in taken[1:]


@pytest.mark.parametrize(
    "times, bad",
    [
        (["#100000000", "#A00000001", "#A00000002"], "#A00000001"),
        (["#1000000000", "#1:00000000", "#2000000100"], "#1:00000000"),
        (["#1000000000", "#1000000001", "#2000000:00"], "#2000000:00"),
    ],
)
def test_long_times_with_something_else_than_digits(tmp_path, times, bad):
    toggles = "0!\n1!\n" * 30_000
    body = "#0\n1!\n" + toggles + "".join(f"{time}\n{toggles}" for time in times)
    with pytest.raises(CaptureError, match=f"^a time is digits only, not '{bad}' ") as caught:
        read(write(tmp_path, body), CLK)
    assert caught.value.offset == OFFSET + body.index(bad)


def test_a_word_without_end_costs_bounded_memory(tmp_path):
    with pytest.raises(CaptureError, match=r"^a word of more than 131072 bytes \(.*, line 6, byte \d+\): export the capture again$"):
        read(write(tmp_path, "#0\n" + "1" * 1_000_000), CLK)


@pytest.mark.parametrize("cut", ["1", "#", "#5", "b0101", "b0101 ", "b0101\n", "$du", "1?", "1\0\0\0", "#5\0"])
def test_a_last_line_that_is_cut_off_is_left_out_with_a_warning(tmp_path, cut):
    capture, times, words, _ = read(write(tmp_path, "#10\n1!\n#20\n0!\n" + cut), CLK)
    assert (times, words) == ([10, 20], [1, 0])
    assert capture.warnings == ["line 9 is cut off: the capture is read up to there"]


@pytest.mark.parametrize("last", ["#3q ", "1 ", "?\t"])
@pytest.mark.parametrize("size", [16, 1 << 18])
def test_a_last_word_with_a_blank_behind_it_is_whole_in_blocks_of_any_size(tmp_path, last, size):
    path = write(tmp_path, "#10\n1!\n#20\n0!\n" + last)
    with vcd.VcdCapture(str(path), size) as capture, pytest.raises(CaptureError, match="line 9"):
        list(capture.blocks([CLK]))


@pytest.mark.parametrize("last", ["#30", "1!", "b0 d", "$end", "$comment what"])
def test_a_last_line_without_its_end_counts_when_it_is_whole(tmp_path, last):
    capture, *_ = read(write(tmp_path, "#10\n1!\n#20\n0!\n" + last), CLK)
    assert capture.warnings == []
    assert capture.end_time == (30 if last == "#30" else 20)


def test_a_file_can_be_read_twice_and_a_pipe_once(tmp_path):
    path = write(tmp_path, "#0\n1!\n#1\n0!\n")
    with open_capture(str(path)) as capture:
        assert [[block.words.tolist() for block in capture.blocks([CLK])] for _ in range(2)] == [[[1], [0]]] * 2
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(path.read_bytes()))
    writer.start()
    with open_capture(str(pipe)) as capture:
        assert [block.words.tolist() for block in capture.blocks([CLK])] == [[1], [0]]
        with pytest.raises(CaptureError, match=r"^a pipe can be read only once \(.*pipe\): write the capture to a file first$"):
            capture.blocks([CLK])
    writer.join()


READ_STANDARD_INPUT = """
    import sys
    from strobewise.capture import BitAssignment, open_capture
    with open_capture("-") as capture:
        for block in capture.blocks([BitAssignment("!", 0, 0)]):
            print(block.times.tolist(), block.words.tolist(), flush=True)
"""


def run_python(code, **options):
    engine = os.path.dirname(os.path.dirname(os.path.dirname(vcd.__file__)))
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], env={**os.environ, "PYTHONPATH": engine}, stdout=subprocess.PIPE, **options
    )


def test_standard_input_gives_what_it_holds_before_it_ends():
    with run_python(READ_STANDARD_INPUT, stdin=subprocess.PIPE) as process:
        for piece in (HEAD[:30], HEAD[30:-8], HEAD[-8:] + "#0\n1!\n#5\n0!\n#7\n"):
            process.stdin.write(piece.encode())
            process.stdin.flush()
        assert process.stdout.readline() == b"[0, 5] [1, 0]\n"  # although the pipe stays open
        process.stdin.write(b"1!\n#9\n")
        process.stdin.flush()
        assert process.stdout.readline() == b"[7] [1]\n"
        process.stdin.close()
        assert process.stdout.readline() == b"[9] [1]\n"
    assert process.returncode == 0


def test_a_gzipped_capture_on_standard_input():
    process = run_python(READ_STANDARD_INPUT, stdin=subprocess.PIPE)
    out, _ = process.communicate(gzip.compress((HEAD + "#0\n1!\n#5\n0!\n").encode()))
    assert out.split(b"\n")[-2] == b"[5] [0]"
    assert process.returncode == 0


def test_standard_input_that_is_closed():
    with run_python("import os; os.close(0)" + READ_STANDARD_INPUT.replace("\n    ", "\n"), stderr=subprocess.PIPE) as process:
        _, error = process.communicate()
    assert error.endswith(b"cannot read the file: bad file descriptor (-): check the file and its permissions\n")


def test_a_damaged_gzip_file(tmp_path):
    packed = bytearray(gzip.compress((HEAD + "#0\n1!\n" * 100).encode()))
    packed[-6] ^= 0xFF  # the checksum
    path = write(tmp_path, bytes(packed))
    with pytest.raises(CaptureError, match=r"^the gzip file is damaged \(.*c\.vcd\): copy or export it again$"):
        read(path, CLK)


HOSTILE = """
    import gzip, sys
    from strobewise.capture import BitAssignment, open_capture
    from strobewise.errors import CaptureError
    wide = "$var wire 65536 w W $end $enddefinitions $end\\n"
    def write(make):
        path = sys.argv[1]
        with open(path, "w") as out:
            make(out.write)
        try:
            with open_capture(path) as capture:
                bits = [BitAssignment(capture.header.channels[0].code, 0, 0)]
                for block in capture.blocks(bits):
                    pass
                capture.channel_statistics()
        except CaptureError as error:
            print(error)
    write(lambda out: [out(f"$var wire 1 {k} a $end\\n") for k in range(1_000_000)])
    write(lambda out: [out(f"$var wire 16 {k} a $end\\n") for k in range(65_536)] + [out("$enddefinitions $end #0 b1 7\\n")])
    write(lambda out: [out("$scope module a $end\\n") for k in range(1_000_000)])
    write(lambda out: [out("x" * 1_000_000) for k in range(50)])
    write(lambda out: [out("$comment " + "x" * 1_000_000) for k in range(50)])
    write(lambda out: [out(wide)] + [out("#%d bx w b0 w\\n" % k) for k in range(5_000)])
    write(lambda out: [out(wide)] + [out("b%s w\\n" % ("10" * 30_000)) for k in range(50)])
    open_comment = "$var wire 1 ! a $end $enddefinitions $end\\n#0 1! $comment "
    write(lambda out: [out(open_comment)] + [out("y " * 500_000) for k in range(50)])
    with gzip.open(sys.argv[1], "wt", compresslevel=1) as out:
        out.write("$var wire 1 ! a $end $enddefinitions $end #0 1!")
        for k in range(200):
            out.write(" " * 1_000_000)
    write_nothing = open_capture(sys.argv[1])
    for block in write_nothing.blocks([]):
        pass
    # the program's own peak: what getrusage says would count the test run that it was forked from
    print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the peak of memory is read from /proc")
def test_hostile_files_cost_bounded_memory(tmp_path):
    process = run_python(HOSTILE.replace("sys.argv[1]", repr(str(tmp_path / "hostile.vcd"))))
    out, _ = process.communicate()
    assert process.returncode == 0
    lines = out.decode().splitlines()
    assert [line.split(" (")[0] for line in lines[:-1]] == [
        "more than 65536 channels",
        "scopes are nested more than 256 deep",
        "this is no VCD file: a keyword such as $timescale or $var is expected, not 'xxxxxxxxxxxxxxxxxxxxxxxx...'",
        "no $enddefinitions in the first 8388608 bytes",
    ]
    assert int(lines[-1]) * 1024 < 150e6


def test_limits_are_where_ieee_1364_wants_them_or_beyond():
    assert limits.MAX_WIDTH >= 65_536
    assert limits.MAX_WORD_BYTES > limits.MAX_WIDTH


def test_of_a_long_capture_each_eighth_block_counts():
    """The first 32, then each eighth: what the share of time at a level is taken from."""
    count = TickCount()
    counted = [number for number in range(1, 101) if count.counts_block()]
    assert counted == [*range(1, 33), 40, 48, 56, 64, 72, 80, 88, 96]


@pytest.mark.parametrize("width", range(1, 17))
@pytest.mark.parametrize("place", ["first", "middle", "last"])
def test_a_time_with_a_wrong_character_anywhere_is_none(tmp_path, width, place):
    """Times are read eight digits at once, and the leading ones of many together: each way must see what is no digit."""
    base = 10 ** (width - 1)
    times = [str(base + k) for k in range(min(9 * base, 40))]
    at = {"first": 0, "middle": width // 2, "last": width - 1}[place]
    for spoilt in (times[len(times) // 2 :], times[:1]):
        for wrong in "x/:":
            bad = [time[:at] + wrong + time[at + 1 :] if time in spoilt else time for time in times]
            with pytest.raises(CaptureError, match="a time is digits only"):
                read(write(tmp_path, "".join(f"#{time}\n{k % 2}!\n" for k, time in enumerate(bad))), CLK)


def test_times_of_another_length_among_those_of_one(tmp_path):
    """Their length is looked for by halving, which holds as long as they grow."""
    for times in ([100, 101, 99, 102], [100, 1000, 101, 102], [1000, 99, 1001, 1002]):
        with pytest.raises(CaptureError, match="time goes backwards"):
            read(write(tmp_path, "".join(f"#{time}\n{k % 2}!\n" for k, time in enumerate(times))), CLK)
