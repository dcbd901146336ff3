"""What the plug-ins let the user set, and how they show a remark, without a host."""

from __future__ import annotations

import importlib
import sys

import pytest
from plugin_stack import host_module

from conftest import ROOT
from strobewise.bus.lines import ADDRESS, LINES
from strobewise.stream.records import Bus

CLOCK_RANGE_HZ = 10_000, 50_000_000  #: a second time


@pytest.fixture
def plugin(monkeypatch):
    """Return a way to make a plug-in in a host of a few lines."""
    monkeypatch.setitem(sys.modules, "sigrokdecode", host_module())
    monkeypatch.syspath_prepend(str(ROOT / "decoders" / "host"))

    def made(name, **options):
        for each in [each for each in sys.modules if each.partition(".")[0] == name]:
            monkeypatch.delitem(sys.modules, each)
        kind = importlib.import_module(name).Decoder
        one = kind()
        one.options = {**{option["id"]: option["default"] for option in kind.options}, **options}
        one.shown, one.uppers = [], []
        return one

    return made


def test_a_device_answers_on_a_line_that_it_may_pull(plugin):
    """ROMDIS, and the CPU's inputs but for the clock and the reset, which stop the program that it answers to."""
    inputs = {line.name for line in LINES if line.direction == "input"} - {"CLK", "RESET"}
    (answer,) = (option for option in type(plugin("strobewise_faults")).options if option["id"] == "answer")
    assert set(answer["values"]) == inputs | {"ROMDIS"} and answer["default"] == "ROMDIS"
    for line in answer["values"]:
        plugin("strobewise_faults", answer=line).start()
    with pytest.raises(ValueError, match=r"option answer is 'M1': give ROMDIS, "):
        plugin("strobewise_faults", answer="M1").start()


def test_a_device_may_answer_within_a_thousand_t_states(plugin):
    for within in (1, 1000):
        plugin("strobewise_faults", within=within).start()
    for within in (0, 1001):
        with pytest.raises(ValueError, match=f"option within is {within}: give 1 to 1000 T-states"):
            plugin("strobewise_faults", within=within).start()


@pytest.mark.parametrize(
    ("lacking", "t_samples", "why"),
    [
        (set(), 7.0, None), (set(), None, "the length of a T-state is not known"),
        ({"ROMDIS"}, 7.0, "map ROMDIS"), ({"A8", "A15"}, 7.0, "map A8, A15"), ({"A0"}, None, "map A0"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("triggers", ["", "8"])
def test_what_keeps_a_device_from_being_followed_is_remarked_on(plugin, lacking, t_samples, why, triggers):
    one = plugin("strobewise_faults", triggers=triggers)
    one.start()
    captured = tuple(name for name in ("MREQ", "M1", "ROMDIS", *ADDRESS) if name not in lacking)
    one.decode(0, 0, ("bus", Bus(captured, 1_000_000, t_samples, "MREQ", 1.0, False, True)))
    remarks = [data[1][0] for _, _, _, output, data in one.shown if output == "ann"]
    assert remarks == ([f"Paging can not be followed: {why}"] if why and triggers else [])


def test_a_remark_on_a_moment_is_a_sample_wide(plugin):
    one = plugin("strobewise_cycles")
    one.start()
    one.remark(5, 5, "what there is to say", "short")
    one.remark(5, 9, "what there is to say", "short")
    assert [(start, end) for _, start, end, output, _ in one.shown if output == "ann"] == [(5, 6), (5, 9)]


@pytest.mark.parametrize("hz", [0, *CLOCK_RANGE_HZ])
def test_a_clock_that_may_be_given(plugin, hz):
    one = plugin("strobewise_cycles", clock_hz=hz)
    one.start()
    assert one.clock_hz == (hz or None)


@pytest.mark.parametrize("hz", [-1, CLOCK_RANGE_HZ[0] - 1, CLOCK_RANGE_HZ[1] + 1])
def test_a_clock_that_may_not(plugin, hz):
    with pytest.raises(ValueError, match=f"option clock_hz is {hz}: give 0 or"):
        plugin("strobewise_cycles", clock_hz=hz).start()
