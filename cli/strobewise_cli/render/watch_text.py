"""What ``strobewise watch`` shows while it runs, for people and as a log."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from typing import IO, TYPE_CHECKING

from strobewise.bus.model import Finding
from strobewise.bus.units import time_words
from strobewise.errors import UsageError
from strobewise.files.plain_data import Document, json_line
from strobewise.files.reading import is_stream
from strobewise.files.writing import BINARY, buffered
from strobewise.watch.watching import Totals, Watch, Window
from strobewise_cli.output import confirm_output
from strobewise_cli.terminal import one_line

if TYPE_CHECKING:
    from rich.live import Live

FORMAT, VERSION = "strobewise-watch", 1
LOG_S = 1.0  #: seconds of the stream to a line of the log
_REDRAW_S = 0.5
_QUIET_S = 2.0  #: a stream without a byte for this long is worth a word


class Status:
    """One live line on standard error; nothing where that is no terminal."""

    def __init__(self, watch: Watch) -> None:
        self._watch = watch
        self._started = self._drawn = time.monotonic()
        self._live: Live | None = None

    @property
    def seconds(self) -> float:
        """For how long it has run."""
        return time.monotonic() - self._started

    def __enter__(self) -> Status:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.live import Live

            self._live = Live(console=Console(stderr=True), auto_refresh=False, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def update(self) -> None:
        """Draw the line anew, now and then."""
        now = time.monotonic()
        if self._live is None or now - self._drawn < _REDRAW_S:
            return
        from rich.text import Text

        self._drawn = now
        self._live.update(Text(status_text(self._watch.totals, self.seconds, self._watch.quiet_s), no_wrap=True), refresh=True)

    @contextlib.contextmanager
    def paused(self) -> Iterator[None]:
        """Take the line away while something is printed."""
        if self._live is None:
            yield
            return
        self._live.stop()
        try:
            yield
        finally:
            self._live.start()


def status_text(totals: Totals, seconds: float, quiet_s: float) -> str:
    """Return the live line."""
    if quiet_s >= _QUIET_S:
        return f"nothing has come for {quiet_s:.0f} s: has the capture stopped, or do all lines stand still?"
    rate = totals.taken / 1e6 / max(seconds, 1e-9)
    stream = totals.end_s - (totals.start_s or 0.0)
    state = f"{totals.faulty} windows with a fault" if totals.faulty else "no fault"
    return f"{duration(seconds)}  stream {duration(stream)}  {rate:.0f} MB/s  {_count(sum(totals.cycles.values()))} cycles  {state}"


def duration(seconds: float) -> str:
    """Return a length of time as a clock shows it."""
    whole = int(seconds)
    if whole < 60:
        return f"{seconds:.1f} s"
    hours, minutes = divmod(whole // 60, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {whole % 60:02d} s"


def _count(number: int) -> str:
    for limit, unit in ((10**9, "G"), (10**6, "M"), (10**4, "k")):
        if number >= limit:
            return f"{number / (limit if limit > 10**4 else 1000):.1f} {unit}"
    return str(number)


def print_fault(window: Window, stream: IO[str]) -> None:
    """Print what one window showed."""
    head = f"FAULT in window {window.number}, {window.start_s:.6f} s to {window.end_s:.6f} s"
    stream.write(one_line(f"{head}: {window.verdict.summary}") + "\n")
    for finding in window.faults:
        when = "" if finding.first_s is None else f" ({finding.first_s:.6f} s)"
        stream.write(one_line(f"  {finding.rule}{when}: {finding.evidence}") + "\n")


def print_summary(totals: Totals, seconds: float, stream: IO[str]) -> None:
    """Print what the whole watch amounts to."""
    length = totals.end_s - (totals.start_s or 0.0)
    gigabytes = totals.taken / 1e9
    size = f"{gigabytes:.2f} GB" if gigabytes >= 0.1 else f"{totals.taken / 1e6:.2f} MB"
    cycles = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in totals.cycles.items() if count)
    stream.write(
        f"watched {duration(length)} of the stream ({time_words(length)}), {size} in {duration(seconds)}"
        f" ({totals.taken / 1e6 / max(seconds, 1e-9):.0f} MB/s)\n"
        f"cycles: {cycles or 'none'}\n"
        f"windows: {totals.windows}, with a fault {totals.faulty}, undecided {totals.undecided}\n"
    )
    if totals.first_fault is not None:
        first = totals.first_fault
        at = "" if first.first_s is None else f" at {first.first_s:.6f} s"
        stream.write(one_line(f"first fault: {first.rule}{at}: {first.evidence}") + "\n")
    else:
        stream.write("no fault seen\n")


class WatchLog:
    """Counters over time, as JSON lines: one for each second of the stream, and one for each window with a fault.

    Lines are added to the file and written whole, so that it can be read while the watch runs.
    """

    def __init__(self, path: str | None) -> None:
        if path == "-":
            raise UsageError("the log goes to a file", "--log", "name one")
        self._confirmed = None if path is None or is_stream(path) else path
        self._file = None if path is None else buffered(os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | BINARY, 0o666), path)
        self._since: Totals | None = None
        self._last: Window | None = None

    def __enter__(self) -> WatchLog:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is None:
            return
        try:
            if self._since is not None and self._last is not None:
                self._write(self._last, self._since, None)
        finally:
            self._file.close()
        if self._confirmed is not None:
            confirm_output(self._confirmed)

    def add(self, window: Window, saved: str | None) -> None:
        """Count a window; write the line when it is due."""
        if self._file is None:
            return
        self._since = self._since or Totals()
        self._since.add(window)
        self._last, since = window, self._since
        if window.verdict.state == "fault" or since.end_s - (since.start_s or 0.0) >= LOG_S:
            self._write(window, since, saved)

    def _write(self, window: Window, since: Totals, saved: str | None) -> None:
        assert self._file is not None
        self._since = None
        self._file.write(json_line(_record(window, since, saved)).encode())
        self._file.flush()  # the whole line at once


def _record(window: Window, since: Totals, saved: str | None) -> Document:
    return {
        "format": FORMAT, "version": VERSION,
        "window": window.number, "start_s": since.start_s, "end_s": window.end_s, "state": window.verdict.state,
        "cycles": {**since.cycles, "inferred_fetches": since.inferred_fetches},
        "clock_hz": window.clock_hz,
        "findings": [_finding(finding) for finding in window.findings if finding.severity != "note"],
        "bytes": window.taken, "saved": saved,
    }  # fmt: skip


def _finding(finding: Finding) -> Document:
    return {
        "rule": finding.rule, "severity": finding.severity, "lines": list(finding.lines), "count": finding.count,
        "first_s": finding.first_s, "last_s": finding.last_s, "evidence": finding.evidence,
    }  # fmt: skip
