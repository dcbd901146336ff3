"""Checked captures for people: what was expected, what was seen, where."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import IO

from strobewise.expectations import Check, CheckedCapture
from strobewise_cli.terminal import make_console, one_line

_STYLES = {"-": "green", "+": "red"}


def difference(check: Check) -> Iterator[str]:
    """Yield the lines of one failed check as a diff: "-" expected, "+" seen, nothing in them that a terminal would obey."""
    yield one_line(check.name)
    yield "  - " + one_line(check.expected)
    seen = "  + " + one_line(check.seen)
    yield seen + (f"   ({one_line(check.where)})" if check.where else "")
    if check.remark:
        yield "    " + one_line(check.remark)


def summary(result: CheckedCapture, expectations: str) -> str:
    """Return the outcome of one capture in a line."""
    name, against = one_line(result.capture), one_line(expectations)
    if result.error:
        return f"{name}: UNREADABLE: {one_line(result.error)}"
    total = len(result.checks)
    if result.passed:
        return f"{name}: as expected ({total} check{'s' if total != 1 else ''} of {against})"
    return f"{name}: NOT AS EXPECTED: {len(result.failures)} of {total} checks of {against} failed"


def print_results(results: Sequence[CheckedCapture], expectations: str, stream: IO[str]) -> None:
    """Print a line for each capture and a diff for each failed check; colour only on a terminal."""
    from rich.text import Text

    console = make_console(stream, soft_wrap=True)
    for result in results:
        style = "bold green" if result.passed else "bold red"
        console.print(Text(summary(result, expectations), style))
        for check in result.failures:
            console.print()
            for line in difference(check):
                console.print(Text(line, _STYLES.get(line[2:3], "") if line.startswith("  ") else "bold"))
    if any(result.failures for result in results):
        console.print()
        console.print("- expected, + seen; strobewise diagnose CAPTURE says more of a fault", markup=False)
