"""The instructions that ran, as CSV and as a listing for people; rows of text made from steps, a list at a time."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from functools import lru_cache

from strobewise.cpu.disassembly import render
from strobewise.cpu.opcodes import Operation
from strobewise.program.steps import INSTRUCTION, Step
from strobewise_cli.render.cycles import time_text

COLUMNS = ("start_s", "address", "bytes", "text", "t_states", "expected_t_states", "note")
_UNKNOWN_ADDRESS = "----"
_HEADER = f"{'time, s':>14s}  {'addr':4s}  {'bytes':11s}  {'instruction':22s}  {'T':>3s}  {'due':>3s}  note\n"


_texts: dict[tuple[bytes, int | None], str] = {}
_TEXTS_KEPT = 1 << 16


def mnemonic(operation: Operation, data: bytes, address: int | None) -> str:
    """Return the text of an instruction; a relative jump from an unknown place counts from its own address, $."""
    if "{e}" not in operation.text:
        return render(operation, data, address or 0)
    if address is not None:
        return render(operation, data, address)
    distance = len(data) + (data[-1] ^ 0x80) - 0x80
    return operation.text.replace("{e}", f"${'-' if distance < 0 else '+'}0x{abs(distance):02x}")


def _text(step: Step) -> str:
    """Return the text of a step, from a memory of those that were made before: programs repeat themselves."""
    operation = step.operation
    if operation is None:
        return ""
    key = (step.data, step.address if "{e}" in operation.text else None)
    text = _texts.get(key)
    if text is None:
        if len(_texts) >= _TEXTS_KEPT:
            _texts.clear()
        text = _texts[key] = mnemonic(operation, *key)
    return text


def _waits(step: Step) -> str:
    """Return the note of a step, with the wait states that it met."""
    if not step.wait_states:
        return step.note
    waits = f"{step.wait_states} wait state{'s' if step.wait_states > 1 else ''}"
    return f"{step.note}; {waits}" if step.note else waits


@lru_cache(maxsize=1 << 16)
def _quoted(text: str) -> str:
    """Return a field as the csv module writes it."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="").writerow((text,))
    return buffer.getvalue() if text else ""


def csv_rows(steps: Iterable[Step], timescale_fs: int) -> str:
    """Return CSV rows without the header."""
    rows = []
    for step in steps:
        address = "" if step.address is None else f"0x{step.address:04x}"
        t_states = "" if step.t_states is None else step.t_states
        expected = "" if step.expected is None else step.expected
        note = _quoted(_waits(step)) if step.note or step.wait_states else ""
        start, text = time_text(step.start, timescale_fs), _quoted(_text(step))
        rows.append(f"{start},{address},{step.data.hex()},{text},{t_states},{expected},{note}\n")
    return "".join(rows)


def csv_header() -> str:
    """Return the header row."""
    return ",".join(COLUMNS) + "\n"


def text_header() -> str:
    """Return the line above a readable listing."""
    return _HEADER


def text_rows(steps: Iterable[Step], timescale_fs: int) -> str:
    """Return the lines of a readable listing; what is no instruction stands in brackets, what took another time is starred."""
    rows = []
    for step in steps:
        address = _UNKNOWN_ADDRESS if step.address is None else f"{step.address:04x}"
        t_states = "" if step.t_states is None else str(step.t_states)
        expected = "" if step.expected is None else str(step.expected)
        odd = "*" if step.t_states is not None and step.expected is not None and step.t_states != step.expected else " "
        note, text = _waits(step), _text(step)
        if step.what != INSTRUCTION:
            text, note = f"{text} [{note}]".lstrip(), ""
        if step.address is None and step.what != INSTRUCTION:
            address = ""
        row = f"{time_text(step.start, timescale_fs):>14s}  {address:4s}  {step.data.hex(' '):11s}  {text:22s}"
        rows.append(f"{row}  {t_states:>3s}  {expected:>3s}{odd} {note}".rstrip() + "\n")
    return "".join(rows)
