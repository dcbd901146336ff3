"""Values with unknown bits: whatever the unknown bits are, the true result is among those that the known bits allow."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strobewise.cpu.model import Z80
from strobewise.cpu.opcodes import PREFIXES
from strobewise.replay.unknown import FULL, Table, UncertainCpu, Unknown, known, select

BYTE = st.integers(0, 0xFF)


def allows(value, true):
    """Whether a value with unknown bits may be this number."""
    if isinstance(value, Unknown):
        return not (value.value ^ true) & ~value.mask & FULL
    return value & FULL == true & FULL


OPERATIONS = {
    "and": lambda a, b: a & b, "or": lambda a, b: a | b, "xor": lambda a, b: a ^ b, "add": lambda a, b: a + b, "sub": lambda a, b: a - b,
    "shift left": lambda a, b: a << 3, "shift right": lambda a, b: a >> 3, "negate": lambda a, b: -a, "from": lambda a, b: 0x55 - a,
}  # fmt: skip


@pytest.mark.parametrize("name", OPERATIONS)
@given(a=BYTE, mask_a=BYTE, b=BYTE, mask_b=BYTE)
def test_arithmetic_is_sound(name, a, mask_a, b, mask_b):
    operation = OPERATIONS[name]
    assert allows(operation(known(a & ~mask_a, mask_a), known(b & ~mask_b, mask_b)), operation(a, b))


@given(a=BYTE, mask=BYTE, limit=BYTE)
def test_comparisons_are_sound(a, mask, limit):
    value = known(a & ~mask, mask)
    for verdict, true in ((value > limit, a > limit), (value == limit, a == limit)):
        assert isinstance(verdict, Unknown) or bool(verdict) == true


@given(entries=st.binary(min_size=256, max_size=256), key=BYTE, mask=BYTE)
def test_a_table_gives_what_its_entries_share(entries, key, mask):
    assert allows(Table(list(entries))[known(key & ~mask, mask)], entries[key])


def test_a_value_cancels_itself_but_not_another():
    value = Unknown(0, 0xFF)
    assert value ^ value == 0 and value - value == 0
    assert isinstance(value ^ Unknown(0, 0xFF), Unknown)


@given(one=BYTE, other=BYTE)
def test_a_choice_that_is_open_gives_what_both_share(one, other):
    either = select(Unknown(0, 1), one, other)
    assert allows(either, one) and allows(either, other)


class Memory:
    """A bus of random bytes that notes what is asked of it."""

    def __init__(self, seed, code):
        rng = random.Random(seed)
        self.bytes = {0x4000 + at: byte for at, byte in enumerate(code + rng.randbytes(4))}
        self.seed = seed
        self.log = []

    def fetch(self, address, refresh):
        return self.read(address)

    def read(self, address):
        self.log.append(("read", address))
        return self.bytes.setdefault(address, (address * 73 ^ self.seed) & 0xFF)

    def write(self, address, value):
        self.log.append(("write", address, value))
        self.bytes[address] = value

    def io_read(self, port):
        return 0x5A

    def io_write(self, port, value):
        self.log.append(("out", port, value))

    def internal(self, t_states):
        self.log.append(("internal", t_states))


def started(cpu, seed):
    rng = random.Random(seed)
    for name in ("a", "f", "b", "c", "d", "e", "h", "l"):
        setattr(cpu, name, rng.randrange(256))
    cpu.ix, cpu.iy, cpu.sp, cpu.pc = rng.randrange(0x5000, 0x10000), rng.randrange(0x5000, 0x10000), 0xF000, 0x4000
    return cpu


CODES = [
    prefix + bytes((code,))
    for prefix in (b"", b"\xcb", b"\xed", b"\xdd", b"\xfd", b"\xdd\xcb\x05")
    for code in range(256)
    if not (code in PREFIXES and prefix in (b"", b"\xdd", b"\xfd"))
]
SEED = st.integers(0, 1 << 32)


@given(seed=SEED, code=st.sampled_from(CODES))
def test_with_known_values_it_is_the_ordinary_cpu(seed, code):
    plain, uncertain = started(Z80(), seed), started(UncertainCpu(), seed)
    here, there = Memory(seed, code), Memory(seed, code)
    plain.step(here)
    uncertain.step(there)
    assert uncertain.save() == plain.save() and here.log == there.log


@given(seed=SEED, code=st.sampled_from(CODES), mask_a=BYTE, mask_f=BYTE)
def test_with_unknown_registers_the_true_course_is_allowed(seed, code, mask_a, mask_f):
    """What is still known after an instruction is right, whatever the unknown bits of A and F are."""
    plain, uncertain = started(Z80(), seed), started(UncertainCpu(), seed)
    for name, mask in (("a", mask_a), ("f", mask_f)):  # the others lead to addresses, which only a capture resolves
        setattr(uncertain, name, known(getattr(uncertain, name) & ~mask, mask))
    here, there = Memory(seed, code), Memory(seed, code)
    plain.step(here)
    open_choices = []
    before, Unknown.choose = Unknown.choose, lambda value: bool(open_choices.append(value))
    try:
        uncertain.step(there)
    finally:
        Unknown.choose = before
    if open_choices:
        return  # a way was taken that need not be the true one
    for name in ("a", "f", "b", "c", "d", "e", "h", "l"):
        assert allows(getattr(uncertain, name), getattr(plain, name)), name
    assert uncertain.pc == plain.pc


def test_every_kind_of_choice_is_met():
    """The sample above is worth something: conditional jumps do ask which way to go."""
    asked = []
    for code in CODES:
        uncertain = started(UncertainCpu(), 1)
        uncertain.f = Unknown(0, 0xFF)
        before, Unknown.choose = Unknown.choose, lambda value, code=code: bool(asked.append(code))
        try:
            uncertain.step(Memory(1, code))
        finally:
            Unknown.choose = before
    assert {bytes((code,)) for code in (0x20, 0x28, 0x30, 0x38, 0xC0, 0xCA, 0xDC, 0xF8)} <= set(asked)
    assert b"\x27" not in asked and b"\x3f" not in asked  # what the bus does not show is not guessed: DAA, CCF
