"""The Z80: its opcodes, a disassembler and a model that runs as a sequence of machine cycles."""
