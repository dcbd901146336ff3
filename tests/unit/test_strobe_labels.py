"""Whether other labels of the leads are any better: neither the program nor the refresh addresses may lose by them."""

from __future__ import annotations

import pytest

from strobewise.evidence.strobe_leads import NO_WORSE, _gains, _loses, _Trial


def trial(program=0.9, counts=0.9, witnesses=1000):
    return _Trial(100, [], 1, {}, witnesses, program, counts)


BEFORE = trial()
LESS = 0.9 - NO_WORSE - 1e-6  # just too little


@pytest.mark.parametrize(("after", "loses"), [
    (trial(), False), (trial(program=0.9 - NO_WORSE), False), (trial(counts=0.9 - NO_WORSE), False),
    (trial(program=LESS), True), (trial(counts=LESS), True), (trial(program=LESS, counts=1.0), True),
    (trial(program=1.0, counts=LESS), True),
])  # fmt: skip
def test_labels_may_spoil_neither_the_program_nor_the_refresh(after, loses):
    assert _loses(BEFORE, after) is loses


@pytest.mark.parametrize(("after", "gains"), [
    (trial(), False), (trial(witnesses=1100), False), (trial(witnesses=1101), True),
    (trial(program=0.93), True), (trial(counts=0.93), True), (trial(program=0.9 + NO_WORSE), False),
])  # fmt: skip
def test_labels_of_a_sound_bus_must_show_more_of_it(after, gains):
    assert _gains(BEFORE, after) is gains
