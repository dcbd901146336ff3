"""Which fetched byte is a HALT, told while it is fetched: /HALT falls within that very cycle."""

from __future__ import annotations


class Opcodes:
    """Tells which fetched byte is a HALT: follows the prefixes of the instructions."""

    def __init__(self) -> None:
        self._prefix = 0  #: of the instruction that this byte belongs to, 0 for none

    def halts(self, byte: int) -> bool:
        """Take a fetched byte; say whether it is a HALT. Source: UM0080, instruction set (CB 76 tests a bit, ED 76 sets a mode)."""
        prefix, self._prefix = self._prefix, 0
        if prefix in (0xCB, 0xED):
            return False
        if byte in (0xDD, 0xFD) or (byte in (0xCB, 0xED) and prefix not in (0xDD, 0xFD)):
            self._prefix = byte
        return byte == 0x76
