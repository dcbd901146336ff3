"""The CPU model where single instructions do not show it: interrupts, halt, prefixes, reset.

Expected machine cycles and T-states: Zilog Z80 CPU User Manual (UM0080), interrupt response and timing figures, written
here a second time. IFF2 on NMI, the parity quirk of LD A,I, WZ: common practice.
"""

from __future__ import annotations

import pytest

from strobewise.cpu import RESPONSES, Z80

T_STATES = {"fetch": 4, "read": 3, "write": 3, "io_read": 4, "io_write": 4, "acknowledge": 6}


class RecordingBus:
    """Memory, a device that answers 0xFF, and a list of [cycle, address, value, T-states]."""

    def __init__(self, program="", at=0, vector=0xFF):
        self.memory = bytearray(0x10000)
        code = bytes.fromhex(program)
        self.memory[at : at + len(code)] = code
        self.vector = vector
        self.cycles = []

    def _note(self, kind, address, value):
        self.cycles.append([kind, address, value, T_STATES[kind]])
        return value

    def fetch(self, address, refresh):
        self.refresh = refresh
        return self._note("fetch", address, self.memory[address])

    def read(self, address):
        return self._note("read", address, self.memory[address])

    def write(self, address, value):
        self.memory[address] = self._note("write", address, value)

    def io_read(self, port):
        return self._note("io_read", port, 0xFF)

    def io_write(self, port, value):
        self._note("io_write", port, value)

    def acknowledge(self, address, refresh):
        self.refresh = refresh
        return self._note("acknowledge", address, self.vector)

    def internal(self, t_states):
        self.cycles[-1][3] += t_states

    def take(self):
        """Return the cycles since the last call."""
        cycles, self.cycles = self.cycles, []
        return [tuple(cycle) for cycle in cycles]


def make(program="", **registers):
    cpu, bus = Z80(), RecordingBus(program, registers.get("pc", 0))
    for name, value in registers.items():
        setattr(cpu, name, value)
    return cpu, bus


def test_reset_starts_at_zero_with_interrupts_off():
    cpu, _ = make(pc=0x1234, i=1, r=2, im=2, iff1=True, iff2=True, halted=True, sp=0x8000, nmi_pending=True)
    cpu.reset()
    assert (cpu.pc, cpu.i, cpu.r, cpu.im, cpu.iff1, cpu.iff2, cpu.halted, cpu.nmi_pending) == (0,) * 8
    assert cpu.sp == 0x8000


def test_refresh_counts_in_seven_bits():
    cpu, bus = make("00 00", i=0x12, r=0xFF)
    cpu.step(bus)
    assert bus.refresh == 0x12FF
    cpu.step(bus)
    assert bus.refresh == 0x1280


def test_interrupt_mode_1_takes_13_t_states():
    cpu, bus = make(pc=0x1234, sp=0x8000, im=1, iff1=True, iff2=True, interrupt_line=True, r=5)
    assert cpu.step(bus) == "interrupt"
    assert bus.take() == [("acknowledge", 0x1234, 0xFF, 7), ("write", 0x7FFF, 0x12, 3), ("write", 0x7FFE, 0x34, 3)]
    assert (cpu.pc, cpu.sp, cpu.wz, cpu.r, cpu.iff1, cpu.iff2) == (0x38, 0x7FFE, 0x38, 6, False, False)


def test_interrupt_mode_2_takes_19_t_states():
    cpu, bus = make(pc=0x1234, sp=0x8000, im=2, i=0x40, iff1=True, iff2=True, interrupt_line=True)
    bus.vector = 0xFF
    bus.memory[0x40FF:0x4101] = b"\x78\x56"
    assert cpu.step(bus) == "interrupt"
    assert bus.take() == [
        ("acknowledge", 0x1234, 0xFF, 7),
        ("write", 0x7FFF, 0x12, 3), ("write", 0x7FFE, 0x34, 3),
        ("read", 0x40FF, 0x78, 3), ("read", 0x4100, 0x56, 3),
    ]  # fmt: skip
    assert (cpu.pc, cpu.wz) == (0x5678, 0x5678)


KINDS = {"fetch": "opcode_fetch", "acknowledge": "interrupt_acknowledge", "read": "memory_read", "write": "memory_write"}


@pytest.mark.parametrize(
    ("response", "state", "t_states"),
    [
        ("halt", {"halted": True}, 4),
        ("nmi_response", {"nmi_pending": True}, 11),
        ("interrupt_mode_1", {"interrupt_line": True, "iff1": True, "im": 1}, 13),
        ("interrupt_mode_2", {"interrupt_line": True, "iff1": True, "im": 2}, 19),
    ],
)
def test_responses_of_the_table_are_the_model_s_and_as_long_as_the_manual_says(response, state, t_states):
    cpu, bus = make(**state)
    cpu.step(bus)
    assert tuple((KINDS[kind], t) for kind, _, _, t in bus.take()) == RESPONSES[response]
    assert sum(t for _, t in RESPONSES[response]) == t_states


def test_interrupt_mode_0_with_restart_takes_13_t_states():
    cpu, bus = make(pc=0x1234, sp=0x8000, im=0, iff1=True, iff2=True, interrupt_line=True)
    bus.vector = 0xEF
    assert cpu.step(bus) == "interrupt"
    assert bus.take() == [("acknowledge", 0x1234, 0xEF, 7), ("write", 0x7FFF, 0x12, 3), ("write", 0x7FFE, 0x34, 3)]
    assert cpu.pc == 0x28


def test_interrupt_mode_0_with_call_returns_to_the_interrupted_program():
    cpu, bus = make(pc=0x1234, sp=0x8000, im=0, iff1=True, iff2=True, interrupt_line=True)
    bus.vector = 0xCD
    bus.memory[0x1234] = 0x66
    cpu.step(bus)
    assert bus.take() == [
        ("acknowledge", 0x1234, 0xCD, 6),
        ("read", 0x1234, 0x66, 3), ("read", 0x1234, 0x66, 4),
        ("write", 0x7FFF, 0x12, 3), ("write", 0x7FFE, 0x34, 3),
    ]  # fmt: skip
    assert cpu.pc == 0x6666


def test_interrupt_mode_0_with_nop_goes_on():
    cpu, bus = make("3c", im=0, iff1=True, interrupt_line=True, a=1)
    bus.vector = 0x00
    cpu.step(bus)
    assert bus.take() == [("acknowledge", 0, 0, 6)]
    cpu.step(bus)
    assert (cpu.a, cpu.pc) == (2, 1)


def test_interrupt_waits_while_disabled():
    cpu, bus = make("00", interrupt_line=True, im=1)
    assert cpu.step(bus) is None
    assert cpu.pc == 1


def test_nmi_takes_11_t_states_and_keeps_iff2():
    cpu, bus = make(pc=0x1234, sp=0x0001, iff1=True, iff2=True, nmi_pending=True, interrupt_line=True, im=1)
    assert cpu.step(bus) == "nmi_response"
    assert bus.take() == [("fetch", 0x1234, 0, 5), ("write", 0x0000, 0x12, 3), ("write", 0xFFFF, 0x34, 3)]
    assert (cpu.pc, cpu.sp, cpu.iff1, cpu.iff2, cpu.nmi_pending) == (0x66, 0xFFFF, False, True, False)


def test_retn_gives_iff1_back():
    cpu, bus = make("ed 45", iff1=False, iff2=True)
    cpu.step(bus)
    assert cpu.iff1


def test_halt_fetches_behind_itself_until_an_interrupt():
    cpu, bus = make("76 3c", im=1, iff1=True, iff2=True, sp=0x8000, a=0)
    assert cpu.step(bus) is None
    assert [cpu.step(bus), cpu.step(bus)] == ["halt", "halt"]
    assert bus.take() == [("fetch", 0, 0x76, 4), ("fetch", 1, 0x3C, 4), ("fetch", 1, 0x3C, 4)]
    assert (cpu.a, cpu.r, cpu.halted) == (0, 3, True)
    cpu.interrupt_line = True
    assert cpu.step(bus) == "interrupt"
    assert (cpu.halted, bus.memory[0x7FFE]) == (False, 1)


def test_halt_with_interrupts_off_ends_on_nmi_only():
    cpu, bus = make("76", interrupt_line=True, im=1)
    cpu.step(bus)
    assert cpu.step(bus) == "halt"
    cpu.nmi_pending = True
    assert cpu.step(bus) == "nmi_response"
    assert not cpu.halted


def test_interrupt_waits_one_instruction_after_ei():
    cpu, bus = make("fb 00 00", im=1, interrupt_line=True)
    assert [cpu.step(bus), cpu.step(bus), cpu.step(bus)] == [None, None, "interrupt"]
    assert bus.memory[0xFFFD] == 2


def test_a_row_of_ei_keeps_interrupts_out():
    cpu, bus = make("fb fb fb 00", im=1, interrupt_line=True)
    assert [cpu.step(bus) for _ in range(5)] == [None] * 4 + ["interrupt"]


def test_nmi_comes_right_after_ei():
    cpu, bus = make("fb 00", nmi_pending=False)
    cpu.step(bus)
    cpu.nmi_pending = True
    assert cpu.step(bus) == "nmi_response"


def test_the_delay_of_ei_ends_without_an_interrupt():
    cpu, bus = make("fb 00 00", im=1)
    cpu.step(bus)
    cpu.step(bus)
    cpu.interrupt_line = True
    assert cpu.step(bus) == "interrupt"


@pytest.mark.parametrize("line", ["interrupt_line", "nmi_pending"])
def test_no_interrupt_between_prefixes_and_opcode(line):
    cpu, bus = make("dd fd dd 21 34 12 00", im=1, iff1=True)
    cpu.step(bus)
    setattr(cpu, line, True)
    assert [cpu.step(bus), cpu.step(bus)] == [None, None]
    assert (cpu.ix, cpu.pc) == (0x1234, 6)
    assert cpu.step(bus) is not None


def test_prefixes_without_end_take_a_bounded_step_each():
    cpu, bus = make()
    bus.memory[:] = b"\xdd" * 0x10000
    for _ in range(1000):
        cpu.step(bus)
    assert len(bus.cycles) == 1001
    assert cpu.r == 1001 & 0x7F


def test_prefix_before_ed_is_useless():
    cpu, bus = make("dd ed 44", a=1)
    cpu.step(bus)
    cpu.step(bus)
    assert (cpu.a, cpu.pc, sum(cycle[3] for cycle in bus.take())) == (0xFF, 3, 12)


@pytest.mark.parametrize(("cmos", "parity"), [(False, 0), (True, 4)])
def test_interrupt_after_reading_i_spoils_the_parity_flag_on_nmos(cmos, parity):
    cpu, bus = make("ed 57", im=1, iff1=True, iff2=True)
    cpu.cmos = cmos
    cpu.step(bus)
    assert cpu.f & 4
    cpu.interrupt_line = True
    cpu.step(bus)
    assert cpu.f & 4 == parity


@pytest.mark.parametrize(("cmos", "value"), [(False, 0), (True, 0xFF)])
def test_out_of_nothing_differs_between_nmos_and_cmos(cmos, value):
    cpu, bus = make("ed 71", b=0x12, c=0x34)
    cpu.cmos = cmos
    cpu.step(bus)
    assert bus.take()[-1] == ("io_write", 0x1234, value, 4)


@pytest.mark.parametrize(
    ("before", "f", "expected"),
    [("00", 0x28, 0x28), ("b7", 0x28, 0x00), ("f1", 0x28, 0x28), ("08", 0x28, 0x28)],
)
def test_scf_takes_bits_3_and_5_from_f_only_if_f_has_not_just_changed(before, f, expected):
    cpu, bus = make(before + "37", a=0, f=f, f_=f, sp=0x8000)
    bus.memory[0x8000] = f
    cpu.step(bus)
    cpu.step(bus)
    assert cpu.f & 0x28 == expected


def test_write_of_a_register_pair_goes_high_byte_first_on_the_stack():
    cpu, bus = make("f5", a=0x12, f=0xFF, sp=0)
    cpu.step(bus)
    assert bus.take()[1:] == [("write", 0xFFFF, 0x12, 3), ("write", 0xFFFE, 0xFF, 3)]


def test_memory_pointer_shows_in_the_flags_that_push_writes():
    """WZ after LD A,(nn) is nn + 1; BIT copies its high byte to bits 3 and 5, PUSH AF brings them to the bus."""
    cpu, bus = make("3a ff 27 cb 46 f5", h=0x40, l=0, sp=0x8000)
    for _ in range(3):
        cpu.step(bus)
    assert bus.memory[0x7FFE] & 0x28 == 0x28
    cpu, bus = make("3a fe 07 cb 46 f5", h=0x40, l=0, sp=0x8000)
    for _ in range(3):
        cpu.step(bus)
    assert bus.memory[0x7FFE] & 0x28 == 0x00


def test_state_goes_back_to_what_was_saved():
    cpu, bus = make("3e 12 fb dd dd", interrupt_line=False)
    before = cpu.save()
    for _ in range(3):
        cpu.step(bus)
    changed = cpu.save()
    cpu.restore(before)
    assert cpu.save() == before != changed
    for _ in range(3):
        cpu.step(bus)
    assert cpu.save() == changed


def test_what_the_bus_raises_reaches_the_caller():
    cpu, bus = make("3a 00 40")

    def read(address):
        raise LookupError(address)

    bus.read = read
    with pytest.raises(LookupError, match=r"^1$"):
        cpu.step(bus)
