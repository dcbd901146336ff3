"""What a predictor counts: differences by what they are, and by the line that would explain them."""

from __future__ import annotations

from typing import Dict, List, Sequence, Tuple

from ..records.prediction import Difference
from .clues import Explanation

MOST_SOUGHT = 256  #: differences for which explanations are sought,
SOUGHT_AT_ONE_PLACE = 4  #: and how many of them at one instruction: a loop says the same again and again
MOST_DIFFERENCES = 2000  #: more are not looked at: the bus is beyond prediction
KEPT_DIFFERENCES = 64  #: kept one by one; all are counted


class Tally:
    """The counters of a predictor."""

    def __init__(self) -> None:
        self.instructions = 0  #: followed
        self.rows = 0  #: machine cycles followed
        self.counts: Dict[str, int] = {}  #: differences by what they are
        self.kept: List[Difference] = []  #: the first of them
        self.other_lengths = 0  #: instructions that took another time than they should
        self.unseen_acknowledges = 0
        self.written_lost = ([0] * 8, [0] * 8)  #: by the level that the program gives, by line: the bus showed the other
        self.written_values = [0] * 256  #: bytes on the bus in writes that were compared
        self.address_wrong = ([0] * 16, [0] * 16)  #: by level called for, by line: addresses of any kind wrong in this line alone
        self.alone_wrong = [0] * 16  #: the same for both levels, with those that were found to be no line's fault later on
        self.exchanged: Dict[Tuple[int, int], int] = {}  #: by two address lines: addresses wrong in that they show each other's level
        #: By Explanation.lines: differences explained with the line captured low, high; of these, those that no other single line explains.
        self.explained: Dict[str, List[int]] = {}
        self.sought = 0  #: differences for which such explanations were sought
        self._sought_at: Dict[Tuple[int, int], int] = {}

    @property
    def total(self) -> int:
        """Differences in all."""
        return sum(self.counts.values())

    @property
    def exhausted(self) -> bool:
        """Return whether so much differs that following on is of no use."""
        return self.total >= MOST_DIFFERENCES

    def _worth_seeking(self, place: Tuple[int, int]) -> bool:
        """Say whether to seek explanations for one more difference at a place, and count it."""
        if self.sought >= MOST_SOUGHT or self._sought_at.get(place, 0) >= SOUGHT_AT_ONE_PLACE:
            return False
        self._sought_at[place] = self._sought_at.get(place, 0) + 1
        self.sought += 1
        return True

    def _count_explanations(self, found: Sequence[Explanation]) -> None:
        single = sum(1 for each in found if len(each.lines) == 2)
        for lines, level in found:
            counts = self.explained.setdefault(lines, [0, 0, 0, 0])
            counts[level] += 1
            counts[2 + level] += single == 1 if len(lines) == 2 else not single

    def _count_address(self, expected: int, found: int) -> None:
        wrong = expected ^ found
        line = single_line(wrong)
        if line >= 0:
            self.address_wrong[expected >> line & 1][line] += 1
            self.alone_wrong[line] += 1
            return
        high, rest = wrong.bit_length() - 1, wrong & ~(1 << wrong.bit_length() >> 1)
        low = single_line(rest)
        if low >= 0 and (expected >> low ^ expected >> high) & 1:
            self.exchanged[low, high] = self.exchanged.get((low, high), 0) + 1

    def _count(self, what: str) -> None:
        self.counts[what] = self.counts.get(what, 0) + 1


def single_line(difference: int) -> int:
    """Return the number of the only bit that is set, -1 when there are several or none."""
    return difference.bit_length() - 1 if difference and not difference & (difference - 1) else -1
