"""Wrong addresses are counted by the line, or the two lines, that would explain them."""

from __future__ import annotations

import pytest

from strobewise.program.tally import Tally


@pytest.mark.parametrize("line", range(16))
@pytest.mark.parametrize("level", [0, 1])
def test_an_address_wrong_in_one_line_is_counted_with_it(line, level):
    tally = Tally()
    expected = level << line
    tally._count_address(expected, expected ^ 1 << line)
    assert tally.address_wrong[level] == tally.alone_wrong == [int(k == line) for k in range(16)]
    assert not any(tally.address_wrong[1 - level]) and not tally.exchanged


def test_two_address_lines_that_show_each_others_level():
    tally = Tally()
    tally._count_address(0x0001, 0x0800)
    tally._count_address(0x0801, 0x0000)  # both wrong, but not exchanged
    assert tally.exchanged == {(0, 11): 1} and not any(tally.alone_wrong)
