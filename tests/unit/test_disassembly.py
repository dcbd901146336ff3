"""The disassembler beside two reference libraries from the registry, `z80dis` and the one in `z80-python`.

Both write the same mnemonics in another dress (hexadecimal form, spaces): `dress` puts all three into one.
What no reference settles is asked for in the text form that the module describes.
"""

from __future__ import annotations

import random
import re

import pytest
import z80_python.disasm
import z80dis.z80

from strobewise.cpu import InstructionDecoder, disassemble, expected_cycles, find_operation, operations
from strobewise.cpu.opcodes import PREFIXES

ADDRESS = 0x1000
ALL_PREFIXES = [b"", b"\xcb", b"\xed", b"\xdd", b"\xfd", b"\xdd\xcb", b"\xfd\xcb"]


#: Copies of RETN; both packages write RETI, though a peripheral chip takes only ED 4D for that (common practice).
NOT_RETI = {b"\xed\x5d", b"\xed\x6d", b"\xed\x7d"}


def text_of(code, address=ADDRESS):
    data = bytes.fromhex(code) + bytes(4)
    return disassemble(lambda at: data[(at - address) & 0xFFFF], address).text


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("3e3e", "LD A,0x3e"),
        ("c33800", "JP 0x0038"),
        ("3a0040", "LD A,(0x4000)"),
        ("dd7e05", "LD A,(IX+0x05)"),
        ("fd70fe", "LD (IY-0x02),B"),
        ("dd7780", "LD (IX-0x80),A"),
        ("dd36057f", "LD (IX+0x05),0x7f"),
        ("18fe", "JR 0x1000"),
        ("2000", "JR NZ,0x1002"),
        ("10fd", "DJNZ 0x0fff"),
        ("d3fe", "OUT (0xfe),A"),
        ("ed78", "IN A,(C)"),
        ("ff", "RST 0x38"),
        ("c7", "RST 0x00"),
        ("08", "EX AF,AF'"),
        ("e9", "JP (HL)"),
        ("fde9", "JP (IY)"),
        ("96", "SUB (HL)"),
        ("8e", "ADC A,(HL)"),
        ("ddcb0546", "BIT 0,(IX+0x05)"),
        # undocumented
        ("cb37", "SLL A"),
        ("dd24", "INC IXH"),
        ("fd6f", "LD IYL,A"),
        ("dd66ff", "LD H,(IX-0x01)"),
        ("ed70", "IN F,(C)"),
        ("ed71", "OUT (C),0"),
        ("ddcb05c7", "SET 0,(IX+0x05),A"),
        ("fdcb0500", "RLC (IY+0x05),B"),
        ("ddcb0540", "BIT 0,(IX+0x05)"),
        ("ed6b3412", "LD HL,(0x1234)"),
        ("ed00", "DEFB 0xed,0x00"),
        ("ed77", "DEFB 0xed,0x77"),
        ("dd013412", "LD BC,0x1234"),
        ("ddeb", "EX DE,HL"),
        ("dddd", "DEFB 0xdd"),
        ("fded", "DEFB 0xfd"),
    ],
)
def test_text(code, text):
    assert text_of(code) == text


def dress(text):
    """Bring the three disassemblers' texts to one form: upper case, no spaces but one, numbers in decimal."""
    text = text.upper().strip().replace("$", "0X")
    text = re.sub(r"\b([0-9][0-9A-F]*)H\b", r"0X\1", text)
    text = re.sub(r"0X([0-9A-F]+)", lambda match: str(int(match.group(1), 16)), text)
    mnemonic, _, operands = text.partition(" ")
    return (mnemonic + " " + operands.replace(" ", "")).strip().replace("+-", "-")


def codes():
    """Yield every opcode with random operands; one that another prefix makes useless is left out."""
    rng = random.Random(80)
    for prefix in ALL_PREFIXES:
        for opcode in range(0x100):
            if opcode in PREFIXES and prefix in (b"", b"\xdd", b"\xfd"):
                continue
            displacement = bytes((rng.randrange(1, 0x100),)) if len(prefix) == 2 else b""
            yield prefix + displacement + bytes((opcode,)) + bytes((rng.randrange(1, 0x100), rng.randrange(1, 0x100)))


def ours(data):
    instruction = disassemble(lambda at: (data + bytes(4))[at - ADDRESS], ADDRESS)
    return instruction, dress(instruction.text)


def test_texts_agree_with_z80dis():
    """That package has no text for useless prefixes and writes `ld B,RLC (IX+5)` for the undocumented double form."""
    compared = 0
    for data in codes():
        instruction, text = ours(data)
        if instruction.operation.useless_prefix or text.startswith("DEFB") or data[:2] in NOT_RETI:
            continue
        theirs = z80dis.z80.disasm(instruction.data, ADDRESS)
        if len(instruction.operation.prefix) > 1:
            theirs = re.sub(r"^ld (\w),(.*)", r"\2,\1", theirs)
        theirs = dress(theirs)
        assert text == theirs, data.hex()
        compared += 1
    assert compared == 1265


def test_texts_and_lengths_agree_with_z80_python():
    """That package has other names for the undefined opcodes after ED, which are left out here."""
    compared = 0
    for data in codes():
        instruction, text = ours(data)
        if text.startswith("DEFB") or data[:2] in NOT_RETI:
            continue
        theirs = z80_python.disasm.disassemble(lambda at, data=data: (data + bytes(4))[at - ADDRESS], ADDRESS)
        their_text = "IN F,(C)" if theirs.text == "IN (C)" else dress(theirs.text)  # both names are in use
        assert (text, len(instruction.data)) == (their_text, len(theirs.data)), data.hex()
        compared += 1
    assert compared == 1599


@pytest.mark.parametrize("code", ["00", "3e12", "c33412", "dd36057f", "ddcb0546", "edb0", "dd013412", "cb46", "fdcb05c7"])
def test_decoder_is_complete_with_the_last_byte(code):
    data = bytes.fromhex(code)
    decoder = InstructionDecoder()
    for offset, byte in enumerate(data[:-1]):
        assert decoder.feed(byte, ADDRESS + offset) is None
    instruction = decoder.feed(data[-1], ADDRESS + len(data) - 1)
    assert instruction == disassemble(lambda at: data[at - ADDRESS], ADDRESS)
    assert instruction.data == data
    assert decoder.awaited_kind == "opcode_fetch"


def test_decoder_tells_in_which_cycle_the_next_byte_comes():
    for prefix in ALL_PREFIXES:
        for opcode in range(0x100):
            if opcode in PREFIXES and prefix in (b"", b"\xdd", b"\xfd"):
                continue
            operation = operations(prefix)[opcode]
            data = prefix + (b"\x05" if len(prefix) == 2 else b"") + bytes((opcode,)) + bytes(4)
            decoder, awaited = InstructionDecoder(), []
            for byte in data[: operation.length]:
                awaited.append(decoder.awaited_kind)
                decoder.feed(byte)
            assert awaited == [kind for kind, _ in operation.variants[0][: operation.length]], operation.text


def test_decoder_knows_the_operation_before_its_operands_are_in():
    decoder = InstructionDecoder()
    decoder.feed(0xCD)
    assert decoder.operation.variants == (
        (("opcode_fetch", 4), ("memory_read", 3), ("memory_read", 4), ("memory_write", 3), ("memory_write", 3)),
    )
    assert decoder.operation.data_cycles == ((("memory_write", 3), ("memory_write", 3)),)


def test_decoder_splits_a_stream_of_bytes():
    stream = bytes.fromhex("dd dd 21 34 12 dd ed 44 00 fd cb 05 46 c9")
    decoder = InstructionDecoder()
    found = [decoder.feed(byte, ADDRESS + offset) for offset, byte in enumerate(stream)]
    assert [(i.address - ADDRESS, i.data.hex(), i.text) for i in found if i] == [
        (0, "dd", "DEFB 0xdd"),
        (1, "dd213412", "LD IX,0x1234"),
        (5, "dd", "DEFB 0xdd"),
        (6, "ed44", "NEG"),
        (8, "00", "NOP"),
        (9, "fdcb0546", "BIT 0,(IY+0x05)"),
        (13, "c9", "RET"),
    ]


def test_decoder_starts_afresh_after_restart():
    decoder = InstructionDecoder()
    decoder.feed(0xDD)
    decoder.restart()
    assert decoder.feed(0x23, ADDRESS).text == "INC HL"


def test_addresses_wrap_round():
    memory = {0xFFFE: 0x18, 0xFFFF: 0x10}
    assert disassemble(memory.__getitem__, 0xFFFE).text == "JR 0x0010"
    memory = {0xFFFF: 0xC3, 0: 0x34, 1: 0x12}
    assert disassemble(memory.__getitem__, 0xFFFF).text == "JP 0x1234"


def test_operation_is_found_before_the_operands_and_in_spite_of_more_bytes():
    assert find_operation(b"\x3e").text == find_operation(b"\x3e\x01\x02\x03\x04\x05").text == "LD A,{n}"
    assert find_operation(b"\xdd\xed").length == 1


def test_conditional_instructions_have_two_courses():
    assert expected_cycles(b"\xc8") == (
        (("opcode_fetch", 5),),
        (("opcode_fetch", 5), ("memory_read", 3), ("memory_read", 3)),
    )
