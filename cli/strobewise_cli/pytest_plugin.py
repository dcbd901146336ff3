"""Captures in pytest: a ``capture`` fixture, files of expectations collected as tests, and assertions that say what the bus did.

Every pytest run of an environment with strobewise in it loads this module, so it imports nothing but pytest; the engine comes with the
first capture.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from strobewise_cli.terminal import one_line

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    from _pytest._code.code import TerminalRepr, TracebackStyle

    from strobewise.bus.model import CycleKind, LeadPlace, LineState, LineStateName
    from strobewise.cycles.table import CycleTable
    from strobewise.diagnosis.facade import Diagnosis
    from strobewise.evidence.kept import KeptCycles
    from strobewise.expectations import CheckedCapture, Event, Expectations
    from strobewise.profile.options import Options

__all__ = [
    "CaptureUnderTest",
    "assert_as_expected",
    "assert_fetches",
    "assert_finding",
    "assert_line",
    "assert_machine_healthy",
    "assert_never",
    "assert_seen",
]

SUFFIX = ".expect.toml"
ADDRESSES_SHOWN = 5  #: addresses named in the message of an event that did not come

Address = int | tuple[int, int]


# --- the fixture ------------------------------------------------------------------------------------------------------


class CaptureUnderTest:
    """One capture, read when something is first asked of it."""

    def __init__(self, path: Path, options: Options) -> None:
        self.path = path
        self.options = options

    def __repr__(self) -> str:
        return f"<capture {one_line(self.path.name)}>"

    @property
    def diagnosis(self) -> Diagnosis:
        """What ``strobewise diagnose`` says of it."""
        return self._read[0]

    @cached_property
    def cycles(self) -> CycleTable:
        """All its machine cycles: one array a column, times in ticks (``tick_s`` seconds each)."""
        return self._read[1].table()

    @cached_property
    def _read(self) -> tuple[Diagnosis, KeptCycles]:
        from strobewise.diagnosis.facade import conclude, examine
        from strobewise.evidence.kept import KeptCycles

        kept = KeptCycles()
        return conclude([examine(str(self.path), self.options, more_parts=(kept.attach,))]), kept

    @property
    def tick_s(self) -> float:
        """Length of a tick in seconds."""
        return self.diagnosis.captures[0].tick_s

    @property
    def lines(self) -> dict[str, LineState]:
        """The survey of the lines, by name."""
        return {line.line: line for line in self.diagnosis.lines}

    def where(self, ticks: int) -> str:
        """Return a time of the capture for people."""
        from strobewise.bus.units import time_words

        return time_words(ticks * self.tick_s)


_CAPTURES = pytest.StashKey[dict[tuple[object, ...], CaptureUnderTest]]()


@pytest.fixture
def capture(request: pytest.FixtureRequest) -> Callable[..., CaptureUnderTest]:
    """Open captures: ``capture("boot.vcd.gz", machine="board.toml", maps={"M1": "CH0"}, clock_hz=3.5e6)``.

    Paths start at the test's folder. A capture is read once in a session, however many tests ask for it.
    """
    held = request.config.stash.setdefault(_CAPTURES, {})
    folder = request.path.parent

    def open_one(
        path: str | os.PathLike[str],
        *,
        machine: str | os.PathLike[str] | None = None,
        maps: Mapping[str, str] | None = None,
        clock_hz: float | None = None,
        probe_at: Mapping[str, LeadPlace] | None = None,
    ) -> CaptureUnderTest:
        __tracebackhide__ = True
        full = (folder / path).resolve()
        profile_path = None if machine is None else (folder / machine).resolve()
        key = (full, profile_path, tuple((maps or {}).items()), clock_hz, tuple((probe_at or {}).items()))
        if key not in held:
            from strobewise.profile.machine import load_profile
            from strobewise.profile.options import Options

            profile = None if profile_path is None else load_profile(profile_path)
            mapped = tuple(f"{line}={channel}" for line, channel in (maps or {}).items())
            held[key] = CaptureUnderTest(full, Options(mapped, None, clock_hz, profile, (), dict(probe_at or {})))
        return held[key]

    return open_one


# --- assertions -------------------------------------------------------------------------------------------------------


def assert_machine_healthy(capture: CaptureUnderTest, allowed: Iterable[str] = ()) -> None:
    """Fail unless no fault was found; allowed: rules that may fire all the same."""
    __tracebackhide__ = True
    diagnosis, known = capture.diagnosis, set(allowed)
    faults = [f for f in diagnosis.findings if f.severity == "fault" and f.rule not in known]
    if diagnosis.verdict.state == "no_fault_found" or (diagnosis.verdict.state == "fault" and not faults):
        return
    said = [f"{capture!r}: expected no_fault_found, seen {diagnosis.verdict.state}", diagnosis.verdict.summary]
    said += [f"  {f.severity} {f.rule}: {f.evidence}" for f in diagnosis.findings if f.severity != "note"]
    said += [f"  next: {step}" for step in diagnosis.verdict.next_steps]
    _fail(said)


def assert_finding(capture: CaptureUnderTest, rule: str) -> None:
    """Fail unless a rule fired: for captures of machines that are known to be broken."""
    __tracebackhide__ = True
    found = [f.rule for f in capture.diagnosis.findings]
    if rule not in found:
        _fail([f"{capture!r}: expected the finding {rule}, seen " + (", ".join(found) or "none")])


def assert_line(capture: CaptureUnderTest, line: str, *states: LineStateName) -> None:
    """Fail unless a line is in one of these states (``active``, ``idle``, ``stuck_low`` ...)."""
    __tracebackhide__ = True
    seen = capture.lines.get(line)
    state = seen.state if seen is not None else "not_captured"
    if state not in states:
        remark = [seen.remark] if seen is not None and seen.remark else []
        _fail([f"{capture!r}: expected {line} {' or '.join(states)}, seen {state}", *remark])


def assert_fetches(capture: CaptureUnderTest, address: Address, least: int = 1, most: int | None = None) -> None:
    """Fail unless instructions were fetched from an address, or from a range of them (both ends included)."""
    __tracebackhide__ = True
    assert_seen(capture, "opcode_fetch", address, least=least, most=most)


def assert_never(
    capture: CaptureUnderTest, kind: CycleKind | None = None, address: Address | None = None, data: Address | None = None
) -> None:
    """Fail if such a machine cycle happened."""
    __tracebackhide__ = True
    assert_seen(capture, kind, address, data, least=0, most=0)


def assert_seen(
    capture: CaptureUnderTest,
    kind: CycleKind | None = None,
    address: Address | None = None,
    data: Address | None = None,
    least: int = 1,
    most: int | None = None,
) -> None:
    """Fail unless such machine cycles happened at least, and at most, so many times. address, data: a number, or a range."""
    __tracebackhide__ = True
    from strobewise.expectations import Event, Range

    event = Event("", "", kind, _pair(address), _pair(data))
    missing = _not_captured(capture, event)
    if missing:
        _fail([f"{capture!r}: cannot tell of {event.text}: {missing} not captured"])
    table = capture.cycles
    places = _matching(table, event)
    count = Range(least, most)
    if len(places) in count:
        return
    said = [f"{capture!r}: expected {event.text} {count.text} times, seen {len(places)} times"]
    if len(places):
        said.append(f"first at {capture.where(int(table.start[places[0]]))}, last at {capture.where(int(table.start[places[-1]]))}")
    elif event.address is not None:
        said.append(_nearest(table, event, event.address[0]))
    _fail(said)


def assert_as_expected(capture: CaptureUnderTest, expectations: str | os.PathLike[str]) -> None:
    """Fail unless a capture meets a file of expectations; the path starts at the capture's folder."""
    __tracebackhide__ = True
    from strobewise.expectations import load_expectations, options_of, verify

    expected = load_expectations(capture.path.parent / expectations)
    result = verify(capture.path, expected, options_of(expected, capture.options))
    if not result.passed:
        _fail(_report(result, expected))


def _fail(lines: Iterable[str]) -> None:
    __tracebackhide__ = True
    pytest.fail("\n".join(one_line(line) for line in lines), pytrace=False)


def _pair(value: Address | None) -> tuple[int, int] | None:
    return (value, value) if isinstance(value, int) else value


def _not_captured(capture: CaptureUnderTest, event: Event) -> str:
    from strobewise.bus.lines import ADDRESS, DATA

    wanted = (ADDRESS if event.address is not None else ()) + (DATA if event.data is not None else ())
    missing = [name for name in wanted if name not in capture.diagnosis.evidence.captured]
    return ", ".join(missing[:3]) + (f" and {len(missing) - 3} more" if len(missing) > 3 else "")


def _matching(table: CycleTable, event: Event) -> npt.NDArray[np.intp]:
    """Return the rows of an event."""
    import numpy as np

    from strobewise.bus.model import KIND_INDEX

    hit = np.ones(len(table), np.bool_) if event.kind is None else table.kind == KIND_INDEX[event.kind]
    for column, pair in ((table.address, event.address), (table.data, event.data)):
        if pair is not None:
            hit = hit & (column >= pair[0]) & (column <= pair[1])
    return np.flatnonzero(hit)


def _nearest(table: CycleTable, event: Event, low: int) -> str:
    """Name the addresses nearest to those that never came."""
    from dataclasses import replace

    import numpy as np

    addresses, counts = np.unique(table.address[_matching(table, replace(event, address=None))], return_counts=True)
    order = np.argsort(np.abs(addresses - low))[:ADDRESSES_SHOWN]
    listed = [f"0x{addresses[k]:04x} ({counts[k]} times)" for k in sorted(order.tolist())]
    return "nearest: " + (", ".join(listed) or "there is none at any address")


# --- files of expectations --------------------------------------------------------------------------------------------


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let a project turn the collection of expectation files off."""
    parser.addini("strobewise_collect", f"collect *{SUFFIX} files as tests", type="bool", default=True)


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Collect files of expectations."""
    if not file_path.name.endswith(SUFFIX) or not parent.config.getini("strobewise_collect"):
        return None
    collector: pytest.Collector = ExpectationFile.from_parent(parent, path=file_path)
    return collector


class ExpectationFile(pytest.File):
    """A file of expectations: one test for each capture that it names."""

    def collect(self) -> Iterator[pytest.Item]:
        """Yield the tests."""
        from strobewise.errors import StrobewiseError
        from strobewise.expectations import load_expectations
        from strobewise.files.names import seen_from

        try:
            expected = load_expectations(self.path)
        except StrobewiseError as error:
            raise self.CollectError(one_line(str(error))) from None
        if not expected.files:
            raise self.CollectError(one_line(f"no capture is named ({self.path}, capture.files): give a list, as files = ['boot.vcd.gz']"))
        for file in expected.files:
            name = one_line(seen_from(str(self.path), str(file)))
            yield ExpectationItem.from_parent(self, name=name, expected=expected, file=file)


class NotAsExpected(Exception):
    """A capture that does not meet its expectations."""


class ExpectationItem(pytest.Item):
    """One capture held against its file of expectations."""

    def __init__(self, *, expected: Expectations, file: Path, name: str, parent: pytest.Collector) -> None:
        super().__init__(name, parent)
        self.expected = expected
        self.file = file

    def runtest(self) -> None:
        """Read the capture and check it."""
        from strobewise.errors import StrobewiseError
        from strobewise.expectations import options_of, verify

        try:
            result = verify(self.file, self.expected, options_of(self.expected))
        except StrobewiseError as error:
            raise NotAsExpected(one_line(str(error))) from None
        if not result.passed:
            raise NotAsExpected("\n".join(_report(result, self.expected)))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: TracebackStyle | None = None) -> str | TerminalRepr:
        """Show the differences; a traceback would say nothing of the capture."""
        if isinstance(excinfo.value, NotAsExpected):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, None, str]:
        """Name the test in reports."""
        return self.path, None, self.name


def _report(result: CheckedCapture, expected: Expectations) -> list[str]:
    from strobewise_cli.render.verify_text import difference, summary

    lines = [summary(result, expected.path.name)]
    for check in result.failures:
        lines += ["", *difference(check)]
    return lines
