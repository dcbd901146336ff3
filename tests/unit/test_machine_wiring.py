"""Who sees a broken line: the places of a break by the direction in which a line is driven, written a second time from the board's order.

The order from inside out is the CPU's die, its pin, the board, the expansion connector. A break keeps what the driver's side sees right
and spoils the far side; the CPU drives outputs, the board inputs, and of a data line whoever speaks.
"""

from __future__ import annotations

import pytest

from strobewise.bus.lines import MASK
from strobewise.machine.wiring import BOARD, CONNECTOR, DIE, IN, OUT, PIN, REACH, LineCondition, View, Wiring

INSIDE_OUT = (DIE, PIN, BOARD, CONNECTOR)
BREAKS = {"cpu": PIN, "socket": BOARD, "connector": CONNECTOR}  #: the first view beyond the break


def beyond(place):
    return INSIDE_OUT[INSIDE_OUT.index(BREAKS[place]) :]


def before(place):
    return INSIDE_OUT[: INSIDE_OUT.index(BREAKS[place])]


def ways(views, *directions):
    return {(view, way) for view in views for way in directions}


@pytest.mark.parametrize("place", BREAKS)
def test_a_break_spoils_the_side_away_from_the_driver(place):
    assert set(REACH["output", place]) == ways(beyond(place), OUT, IN)
    if place == "connector":  # the board drives what the CPU reads, and the connector hangs behind the break
        assert set(REACH["input", place]) == set(REACH["both", place]) == ways((CONNECTOR,), OUT, IN)
        assert set(REACH["expansion", place]) == ways(before(place), OUT, IN)
        return
    assert set(REACH["input", place]) == ways(before(place), OUT, IN)
    assert set(REACH["both", place]) == ways(beyond(place), OUT) | ways(before(place), IN)


@pytest.mark.parametrize("line", ["M1", "INT", "D3", "A5"])
def test_a_line_held_everywhere_is_held_for_all(line):
    wiring = Wiring([LineCondition(line, "low", "line")], [])
    assert all(view.low == MASK[line] and not view.plain for view in wiring.views.values())


def test_a_break_leaves_the_other_views_plain():
    wiring = Wiring([LineCondition("D3", "high", "socket")], [])
    assert {key for key, view in wiring.views.items() if view.high == MASK["D3"]} == set(REACH["both", "socket"])
    assert all(view.plain for key, view in wiring.views.items() if key not in REACH["both", "socket"])


@pytest.mark.parametrize(("bits", "level"), [((0, 0, 0), 0), ((0, 0, 1), 1), ((1, 0, 0), 1), ((0, 1, 0), 1), ((1, 1, 0), 1)])
def test_a_floating_line_takes_its_neighbours_level_three_times_in_four(bits, level):
    view = View()
    view.floating = [(MASK["D3"], (MASK["D4"],))]
    noise = sum(bit << (MASK["D3"].bit_length() - 1 + 64 * k) for k, bit in enumerate(bits))
    assert bool(view.apply(MASK["D4"], noise) & MASK["D3"]) == level
    assert bool(view.apply(MASK["D3"], noise) & MASK["D3"]) == (bits == (0, 0, 1))  # the neighbour is low
    view.floating = [(MASK["D3"], ())]  # none beside it: noise alone
    assert bool(view.apply(0, noise) & MASK["D3"]) == bits[2]


def test_a_short_is_won_by_the_driver_that_pulls_low():
    wiring = Wiring([], [("D3", "D4")])
    both = MASK["D3"] | MASK["D4"]
    for view in wiring.views.values():
        assert view.apply(both, 0) == both and view.apply(MASK["D3"], 0) == 0
