"""Where a program that is fitted to channels without names goes on."""

from __future__ import annotations

import numpy as np
import pytest

from strobewise.cpu.opcodes import operations
from strobewise.identify.program_fit import (
    ANYWHERE,
    CALL,
    JUMP,
    MAY_JUMP,
    MAY_RELATIVE,
    NEXT,
    RELATIVE,
    REPEAT,
    RESTART,
    RETURN,
    Fit,
    _goes,
)


def operation(text):
    return next(each for each in operations(b"\xed") if each.variants and each.text == text)


@pytest.mark.parametrize("name", ["LDIR", "CPIR", "INIR", "OTIR", "LDDR", "CPDR", "INDR", "OTDR"])
def test_block_instructions_may_go_on_at_themselves(name):
    """UM0080: each repeats by taking the program counter back to its own first byte."""
    assert _goes(operation(name)) == REPEAT
    assert _goes(operation(name[:-1] if name[:2] != "OT" else "OUT" + name[2])) == NEXT


@pytest.mark.parametrize(
    ("opcode", "goes"),
    [  # UM0080, jump, call and return group
        (0x00, NEXT), (0x76, ANYWHERE), (0xC3, JUMP), (0xC2, MAY_JUMP), (0xE9, ANYWHERE), (0x18, RELATIVE), (0x20, MAY_RELATIVE),
        (0x10, MAY_RELATIVE), (0xCD, CALL), (0xC4, CALL), (0xC9, RETURN), (0xC0, RETURN), (0xFF, RESTART), (0x3A, NEXT),
    ],
)  # fmt: skip
def test_where_plain_instructions_go_on(opcode, goes):
    assert _goes(operations(b"")[opcode]) == goes


@pytest.mark.parametrize("opcode", [0x45, 0x4D])
def test_a_return_from_an_interrupt_goes_where_the_stack_says(opcode):
    """UM0080: RETN and RETI."""
    assert _goes(operations(b"\xed")[opcode]) == RETURN


def fitted(good, address):
    rows = np.arange(len(good))
    return Fit(rows, np.array(address, np.int64), np.array(good, np.bool_))


def test_what_speaks_against_another_order():
    """By different addresses where they are known, since a loop repeats one instruction; by instructions where they are not."""
    better, worse = [True] * 6, [True, True, False, False, False, False]
    looped = [1, 2, 3, 3, 4, 4]
    assert fitted(better, looped).speaks_against(fitted(worse, looped)) == 2
    assert fitted(better, [-1] * 6).speaks_against(fitted(worse, [-1] * 6)) == 4
    assert fitted(worse, looped).speaks_against(fitted(better, looped)) == 0
    assert fitted(better, looped).speaks_against(fitted(better, looped)) == 0
    assert fitted(better, []).asked == 6 and fitted(better, []).speaks_against(fitted(worse, [])) == 4
