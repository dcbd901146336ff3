"""Names of channels become lines of the bus; expected lines are written out here a second time."""

from __future__ import annotations

import re

import pytest

from strobewise.bus.lines import BUS_SPELLINGS, LINES
from strobewise.capture.channels.mapping import ChannelMap, map_channels, raw_channels
from strobewise.capture.records import BitAssignment, Channel
from strobewise.errors import LineMapError


def scalars(*names: str, scope: str = "") -> list[Channel]:
    return [Channel(name, scope, chr(33 + i), 1, None, "wire") for i, name in enumerate(names)]


def vector(name: str, left: int, right: int, code: str) -> Channel:
    return Channel(name, "", code, abs(left - right) + 1, (left, right), "wire")


def bits(answer: ChannelMap) -> dict[tuple[str, int], int]:
    return {(a.code, a.bit_in_vector): a.target_bit for a in answer.assignments}


M1_SPELLINGS = (
    "M1", "m1", "/M1", "nM1", "M1_n", "M1_N", "M1#", "~M1", "!M1", "M1*", "M1-", "M1B", "CPU.M1", "cpu_m1", "n_m1",
    "m1_b",
    "/ M1", "M1\u0305", "not_M1", "M1bar", "xM1", "z80_m1_n", "ic1.m1", "CH3 M1", "D3: /M1", "3-M1", "M1 (27)",
    "27 M1", "\\M1",
)  # fmt: skip


@pytest.mark.parametrize("name", M1_SPELLINGS)
def test_the_spellings_of_one_line(name):
    answer = map_channels(scalars(name, "MREQ"))
    assert answer.channels == {"M1": name, "MREQ": "MREQ"}
    assert answer.assignments[0] == BitAssignment("!", 0, 1, False)
    assert not answer.unlabelled


@pytest.mark.parametrize(
    ("name", "line", "bit"),
    [
        ("CLK", "CLK", 0), ("CLOCK", "CLK", 0), ("PHI", "CLK", 0), ("PHI0", "CLK", 0), ("ck", "CLK", 0),
        ("zclk", "CLK", 0), ("CP", "CLK", 0), ("clkcpu", "CLK", 0), ("CLOCK_CPU", "CLK", 0), ("Φ", "CLK", 0), ("cpu clk", "CLK", 0),
        ("MREQ", "MREQ", 2),
        ("IORQ", "IORQ", 3), ("nIOREQ", "IORQ", 3), ("RD_n", "RD", 4), ("/WR", "WR", 5), ("RFSH", "RFSH", 6),
        ("REFRESH#", "RFSH", 6), ("/HALT", "HALT", 7), ("WAIT", "WAIT", 8), ("nINT", "INT", 9), ("NMI", "NMI", 10),
        ("nNMI", "NMI", 10), ("RST", "RESET", 11), ("RESETn", "RESET", 11), ("BUSRQ", "BUSREQ", 12),
        ("BUSREQ", "BUSREQ", 12),
        ("BUSAK", "BUSACK", 13), ("/BUSACK", "BUSACK", 13), ("ROMDIS", "ROMDIS", 14), ("A0", "A0", 16),
        ("A00", "A0", 16),
        ("A[0]", "A0", 16), ("A [0]", "A0", 16), ("ADDR0", "A0", 16), ("ADR_0", "A0", 16), ("ADDRESS[15]", "A15", 31),
        ("A(7)", "A7", 23), ("D0", "D0", 32), ("DB0", "D0", 32), ("DATA[7]", "D7", 39), ("D_5", "D5", 37),
    ],
)  # fmt: skip
def test_every_line_has_its_bit(name, line, bit):
    answer = map_channels(scalars(name, "M1", "MREQ") if line not in ("M1", "MREQ") else scalars(name))
    assert answer.channels[line] == name
    assert answer.bit(line) == bit


@pytest.mark.parametrize("name", ["rom_rd", "clk_en", "R/W", "int_ack", "vsync", "A16", "D8", "-", "n", "A", "M2", "", "RDWR"])
def test_other_names_are_kept_as_unmapped(name):
    answer = map_channels(scalars("M1", name))
    assert answer.channels == {"M1": "M1"}
    assert [(use.name, use.target_bit) for use in answer.unmapped] == [(name, 40)]


def test_a_vector_counts_down_from_its_left_digit():
    answer = map_channels([vector("ADDR", 15, 0, "a"), vector("D", 7, 0, "d"), *scalars("M1")])
    assert bits(answer)["a", 0] == 16 and bits(answer)["a", 15] == 31
    assert bits(answer)["d", 0] == 32 and bits(answer)["d", 7] == 39
    assert answer.channels["A3"] == "ADDR[3]"


def test_a_vector_declared_upwards_has_bit_0_on_the_left():
    answer = map_channels([vector("A", 0, 15, "a"), *scalars("M1")])
    assert bits(answer)["a", 15] == 16 and bits(answer)["a", 0] == 31


def test_two_halves_make_one_bus():
    answer = map_channels([vector("A", 15, 8, "h"), vector("A", 7, 0, "l"), *scalars("M1")])
    assert bits(answer)["h", 0] == 24 and bits(answer)["l", 7] == 23
    assert answer.has(*(f"A{i}" for i in range(16)))


def test_a_whole_bus_that_does_not_count_from_0_is_taken_by_position():
    answer = map_channels([vector("DATA", 8, 1, "d"), *scalars("M1")])
    assert bits(answer)["d", 0] == 32 and bits(answer)["d", 7] == 39


def test_a_wider_address_keeps_its_low_sixteen_bits():
    answer = map_channels([vector("A", 19, 0, "a"), *scalars("M1")])
    assert bits(answer)["a", 15] == 31
    assert [use.name for use in answer.unmapped] == ["A[19]", "A[18]", "A[17]", "A[16]"]


@pytest.mark.parametrize(
    "names", [[f"D{i}" for i in range(16)], [f"CH{i}" for i in range(8)], [f"Channel {i}" for i in range(8)], ["0",
    "1", "2"],
              ["CH 0", "CH 1"], [f"A{i}" for i in range(8)] + [f"B{i}" for i in range(8)], ["DIO0", "DIO1"],
              ["logic[0]", "logic[1]"]],
)  # fmt: skip
def test_an_analysers_own_names_are_no_labels(names):
    answer = map_channels(scalars(*names))
    assert answer.unlabelled
    assert answer.channels == {}
    assert [use.target_bit for use in answer.unmapped] == list(range(40, 40 + len(names)))


def test_data_names_beside_control_names_are_data():
    answer = map_channels(scalars(*(f"D{i}" for i in range(8)), "M1", "MREQ", "RD"))
    assert answer.has("D0", "D7", "M1") and not answer.unlabelled


def test_channels_that_nobody_renamed_are_no_data():
    answer = map_channels(scalars("CLK", "M1", "MREQ", "D3", "D4", "D5", "D6", "D7"))
    assert set(answer.channels) == {"CLK", "M1", "MREQ"}
    assert any("like the analyser's own names" in note for note in answer.notes)
    assert map_channels(scalars("CLK", "M1", "MREQ", "D3", "D4"), maps=["D3=D3"]).channels["D3"] == "D3"


def test_mapped_default_names_leave_the_others_unmapped():
    answer = map_channels(scalars(*(f"D{i}" for i in range(8))), maps=["M1=D0", "MREQ=D1"])
    assert answer.channels == {"M1": "D0", "MREQ": "D1"}
    assert not answer.unlabelled


def test_two_channels_for_one_line_are_refused_with_the_choices():
    channels = [*scalars("M1", scope="top"), Channel("m1_n", "top.cpu", "z", 1, None, "wire")]
    with pytest.raises(LineMapError) as error:
        map_channels(channels, where="x.vcd")
    assert str(error.value) == ("more than one channel could be M1: 'top.M1', 'top.cpu.m1_n' (x.vcd): say which, as --map M1=top.M1")
    assert map_channels(channels, maps=["M1=top.cpu.m1_n"]).channels == {"M1": "m1_n"}


def test_names_of_one_signal_are_no_ambiguity():
    channels = [Channel("M1", "top", "!", 1, None, "wire"), Channel("m1_n", "top.cpu", "!", 1, None, "wire")]
    answer = map_channels(channels)
    assert answer.channels == {"M1": "M1"}
    assert len(answer.assignments) == 1
    assert answer.notes == ("'top.M1', 'top.cpu.m1_n' are names of one signal",)


def test_a_complement_counts_only_without_the_line_itself():
    alone = map_channels(scalars("CLK_n", "M1"))
    assert alone.inverted == {"CLK"} and "complement" in alone.notes[0]
    both = map_channels(scalars("CLK_n", "M1", "CLK"))
    assert both.channels["CLK"] == "CLK" and not both.inverted


def test_map_beats_names_and_takes_the_channel_away():
    answer = map_channels(scalars("M1", "MREQ", "foo"), maps=["M1=MREQ", "MREQ=M1", "/RD=!foo"])
    assert answer.channels == {"M1": "MREQ", "MREQ": "M1", "RD": "foo"}
    assert answer.inverted == {"RD"}
    assert BitAssignment("#", 0, 4, True) in answer.assignments


def test_an_exact_name_with_an_exclamation_mark_is_a_name():
    answer = map_channels(scalars("!M1", "x"), maps=["M1=!M1", "RD=!x"])
    assert answer.inverted == {"RD"}


def test_a_bit_of_a_vector_and_a_whole_vector_can_be_mapped():
    channels = [vector("BUS", 7, 0, "b"), vector("low", 0, 7, "l"), *scalars("A [3]")]
    answer = map_channels(channels, maps=["M1=BUS[3]", "RD=!BUS[0]", "D=low"])
    assert bits(answer)["b", 3] == 1 and bits(answer)["b", 0] == 4 and bits(answer)["l", 7] == 32
    assert answer.inverted == {"RD"}
    assert map_channels(scalars("A [3]"), maps=["RD=A[3]"]).channels == {"RD": "A [3]"}


def test_a_line_can_be_declared_not_captured():
    assert map_channels(scalars("M1", "INT", "MREQ"), maps=["INT=none"]).channels == {"M1": "M1", "MREQ": "MREQ"}


def test_map_file_and_option_together(tmp_path):
    path = tmp_path / "clips.toml"
    path.write_text('[map]\nM1 = "CH1"\n"RD" = "!CH2"\nMREQ = "CH0"\n')
    answer = map_channels(scalars("CH0", "CH1", "CH2"), map_file=path, maps=["MREQ=CH0"])
    assert answer.channels == {"MREQ": "CH0", "M1": "CH1", "RD": "CH2"} and answer.inverted == {"RD"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[map]\nM1 = 3\n", "the channel of 'M1' must be a name in quotes, not 3"),
        ("M1 = 'CH0'\n", "the map file has no table [map]"),
        ("[map\n", "the map file is no TOML: "),
    ],
)
def test_bad_map_files(tmp_path, text, message):
    path = tmp_path / "clips.toml"
    path.write_text(text)
    with pytest.raises(LineMapError, match=rf"^{re.escape(message)}.*clips\.toml\): write a table \[map\]"):
        map_channels(scalars("CH0"), map_file=path)


@pytest.mark.parametrize(
    ("maps", "message"),
    [
        (["M1"], r"'M1' is no line and channel \(--map\): write --map LINE=CHANNEL, for example M1=CH3"),
        (["=CH0"], r"'=CH0' is no line and channel \(--map\): write --map LINE=CHANNEL, for example M1=CH3"),
        (["M1="], r"'M1=' is no line and channel \(--map\): write --map LINE=CHANNEL, for example M1=CH3"),
        (["M1=zz"], r"the capture has no channel 'zz' \(x\.vcd, --map\): it has 'CH0', 'CH1'"),
        (["M1=!zz"], r"the capture has no channel 'zz' \(x\.vcd, --map\): it has 'CH0', 'CH1'"),
        (["A16=CH0"], r"there is no line 'A16' \(--map\): the CPU has A0 to A15 and D0 to D7"),
        (["M1=CH0", "M1=CH1"], r"M1 is mapped twice \(--map\): give each line one channel"),
        (["M1=CH0", "RD=CH0"], r"channel 'CH0' is given to both M1 and RD \(--map\): give each channel to one line"),
        (["?!=CH0"], r"'\?!' is no name for a line \(--map\): the lines are CLK, .*"),
    ],
)
def test_bad_maps(maps, message):
    with pytest.raises(LineMapError, match=f"^{message}$"):
        map_channels(scalars("CH0", "CH1"), maps=maps, where="x.vcd")


@pytest.mark.parametrize(("said", "bit"), [("BUS[3]", 3), ("BUS", None), ("BUS[3:2]", None), ("BUS[9]", None), ("BUX[3]", None)])
def test_a_line_is_one_bit_of_a_vector(said, bit):
    channels = [vector("BUS", 7, 0, "!")]
    if bit is None:
        with pytest.raises(LineMapError, match="the capture has no channel"):
            map_channels(channels, maps=[f"M1={said}"])
    else:
        assert map_channels(channels, maps=[f"M1={said}"]).channels["M1"] == f"BUS[{bit}]"


def test_further_lines_come_from_the_profile_or_from_map():
    answer = map_channels(scalars("M1", "nPAGE", "foo", "other"), extra_lines=["PAGE", "ROMDIS"], maps=["STROBE=foo"])
    assert answer.extra_bits == {"PAGE": 40, "STROBE": 41}
    assert answer.channels == {"M1": "M1", "PAGE": "nPAGE", "STROBE": "foo"}
    assert answer.unmapped[0].target_bit == 42


def test_a_slip_of_the_pen_in_a_line_name_is_said():
    assert map_channels(scalars("CH0"), maps=["MERQ=CH0"]).notes == (
        "MERQ is no line of the CPU (did you mean MREQ?); it is kept as a further line",
    )


def test_more_channels_than_the_word_has_room_for_are_still_listed():
    answer = map_channels(scalars("M1", *(f"spare{i}" for i in range(30))))
    assert len(answer.unmapped) == 30
    assert [use.target_bit for use in answer.unmapped][-6:] == [None] * 6


def test_bits_are_used_once_and_the_mask_tells_the_captured_lines():
    answer = map_channels([vector("A", 15, 0, "a"), *scalars("M1", "x")])
    targets = [a.target_bit for a in answer.assignments]
    assert len(set(targets)) == len(targets)
    assert answer.mask == 0xFFFF << 16 | 1 << 1


def test_volts_are_mapped_and_strings_are_not():
    channels = [Channel("M1", "", "!", 1, None, "real"), Channel("MREQ", "", '"', 1, None, "string")]
    assert map_channels(channels).channels == {"M1": "M1"}


def test_a_huge_capture_costs_little_and_loses_no_line():
    channels = [Channel(f"net{i}", "", f"c{i}", 64, (63, 0), "wire") for i in range(200)] + scalars("M1")
    assert map_channels(channels).channels == {"M1": "M1"}


def test_raw_channels_take_the_word_in_order():
    answer = raw_channels([*scalars("CH0", "CH1"), vector("pod", 7, 0, "p")])
    assert [use.target_bit for use in answer.uses] == list(range(10))
    assert answer.uses[2].name == "pod[7]" and answer.channels == {}
    assert [a[1:] for a in answer.assignments] == [(0, 0, False), (0, 1, False), *((7 - i, 2 + i, False) for i in range(8))]


@pytest.mark.parametrize("name", ["CLK-", "CLK*", "D0-", "A3'", "xCLK", "CLKB", "A0B"])
def test_marks_that_could_mean_other_things_are_not_believed_on_active_high_lines(name):
    assert map_channels(scalars("M1", name)).channels == {"M1": "M1"}


def test_a_marked_rom_disable_is_its_complement():
    assert map_channels(scalars("M1", "/ROMDIS")).inverted == {"ROMDIS"}
    assert map_channels(scalars("M1", "nROMDIS")).inverted == {"ROMDIS"}


def test_a_profiles_line_given_by_map_needs_no_note():
    assert map_channels(scalars("M1", "foo"), maps=["PAGE=foo"], extra_lines=["PAGE"]).notes == ()


def test_too_many_further_lines_are_refused():
    names = [f"W{i:02d}X" for i in range(25)]
    assert len(map_channels(scalars(*names[:24]), extra_lines=names[:24]).extra_bits) == 24
    with pytest.raises(LineMapError, match=r"^25 further lines are too many: at most 24 have room$"):
        map_channels(scalars(*names), extra_lines=names)


#: All that a line or a bus may be called besides its name, a second time (trade usage), lower case and without separators.
CALLED = {
    "CLK": "clock phi clkcpu clockcpu zclk ck phi0 cp", "MREQ": "memreq memrq mrq memoryrequest", "IORQ": "ioreq iorequest iorqst",
    "RD": "read", "WR": "write", "RFSH": "refresh rfrsh refsh rfs rf", "HALT": "hlt", "WAIT": "wt", "INT": "irq intr interrupt",
    "RESET": "rst res rs", "BUSREQ": "busrq busrequest brq breq", "BUSACK": "busak busacknowledge bak buak",
    "ROMDIS": "romdisable disablerom",
    "A": "a ab abus add addr adr address addrbus adrbus addressbus", "D": "d db dbus dat data databus",
}  # fmt: skip


def test_what_lines_and_buses_may_be_called():
    assert {line.name: " ".join(line.spellings) for line in LINES if line.spellings} | {
        bus: " ".join(spellings) for bus, spellings in BUS_SPELLINGS.items()
    } == CALLED
