"""What the page shows and changes: one case, looked after by one thread at a time."""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from strobewise.bus.model import LEAD_PLACES, SUSPECTS, LeadPlace
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.case.checks import WITH_VALUE
from strobewise.case.experience import Experience
from strobewise.case.readings import value_said
from strobewise.case.records import ANSWER_KINDS, AS_ITS_FILE_SAYS, OUTCOMES, Answer, Case, CaseState, Step, Taken
from strobewise.case.sheet import SHEET
from strobewise.case.state import capture_of_lines, case_options, examined_capture, judge_case, options_by_capture
from strobewise.case.store import add_answer, add_capture, close_case, new_case, open_case, safe_name, withdraw
from strobewise.errors import UsageError
from strobewise.files.plain_data import Json
from strobewise.files.writing import own_folder
from strobewise.profile.machine import shipped_profiles
from strobewise.profile.options import Options
from strobewise_cli.page_server.swollen import refuse_swollen
from strobewise_cli.render.html_data import PageData, collect_all

NOTE_CHARS = 500
NOTES_KEPT = 5
PATIENCE_S = 2.0  #: that a look waits for a change to end


class Beginning(NamedTuple):
    """What the command says of a case that is not begun yet."""

    machine: str | None  #: a profile, or the name of a generic one
    leads: int
    device: str | None = None  #: analyser that captures are taken from, as the capture host calls it
    taken: Taken = AS_ITS_FILE_SAYS  #: how captures are taken that come as files


class View(NamedTuple):
    """What one look at the case gives."""

    state: CaseState | None  #: None while no case is begun
    pages: tuple[PageData, ...]  #: the captures of its diagnosis, for the waveform
    version: int
    notes: tuple[str, ...]  #: what went wrong beside the page, such as a capture in the watched folder that cannot be read


class Desk:
    """The case of a folder. Every method may be called from any thread."""

    def __init__(self, folder: Path, beginning: Beginning, experience: Experience) -> None:
        self.folder, self.beginning, self._experience = folder, beginning, experience
        self._lock = threading.RLock()
        self._version = 0
        self._looked: tuple[Case, View] | None = None
        self._notes: list[str] = []

    @property
    def version(self) -> int:
        """A number that grows with every change."""
        return self._version

    def view(self) -> View:
        """Judge the case, once for each of its states. Raises StrobewiseError, OSError.

        While a change takes long, the case as it was looked at last, with a word of that.
        """
        if not self._lock.acquire(timeout=PATIENCE_S):
            before = self._looked
            if before is not None:
                return before[1]._replace(version=self._version, notes=(*self._notes, "The bench is reading a capture: wait a moment."))
            self._lock.acquire()
        try:
            if not (self.folder / SHEET).exists():
                return View(None, (), self._version, tuple(self._notes))
            case = open_case(self.folder)
            if self._looked is None or self._looked[0] != case:
                state = judge_case(case, self._experience)
                shown = state.diagnosis
                pages = tuple(collect_all(shown, case_options(case), options_by_capture(case))) if shown is not None else ()
                self._looked = case, View(state, pages, 0, ())
            return self._looked[1]._replace(version=self._version, notes=tuple(self._notes))
        finally:
            self._lock.release()

    def begin(self, told: Mapping[str, Json]) -> None:
        """Begin the case. Raises StrobewiseError, OSError."""
        with self._changing():
            asked = _text(told, "profile")
            if asked and asked not in shipped_profiles():  # a page names no files
                raise UsageError(f"there is no profile {asked!r}", "the page", "give a profile of your own with --machine")
            profile = self.beginning.machine or asked
            clock = _number(told, "clock_mhz")
            new_case(
                self.folder, profile or None, _text(told, "symptom"), leads=int(_number(told, "leads") or self.beginning.leads),
                clock_hz=clock * 1e6 if clock else None, machine=_text(told, "machine"),
                socketed=[part for part in ("cpu", "rom", "ram") if told.get(f"socketed_{part}")],
            )  # fmt: skip

    def add(self, path: str, name: str, planned: bool, note: str = "", minutes_on: float | None = None) -> None:
        """Put a capture into the case. name: what its owner calls it, never trusted. planned: the leads sit as the step asked.

        Raises StrobewiseError, OSError; the case is as it was then.
        """
        refuse_swollen(path)  # before anybody has to wait for it
        with self._changing():
            case = open_case(self.folder)
            step = judge_case(case, self._experience).step
            maps, places = planned_leads(path, step, case_options(case, self.beginning.taken)) if planned else ((), {})
            add_capture(
                case, path, maps=maps, probe_at=places, note=note[:NOTE_CHARS], minutes_on=minutes_on, name=safe_name(name),
                read=capture_of_lines, taken=self.beginning.taken,
            )  # fmt: skip

    def record(self, told: Mapping[str, Json]) -> None:
        """Take the capture that the step asks for from the analyser that the command named. Raises StrobewiseError, OSError."""
        from strobewise_cli.acquire.for_case import record_step

        driver = self.beginning.device
        if driver is None:
            raise UsageError("no analyser was named", "--device", "give strobewise bench the device as strobewise capture --list names it")
        with self._changing():
            case = open_case(self.folder)
            step = judge_case(case, self._experience).step
            with own_folder(os.fspath(self.folder)) as folder:
                taken = record_step(step, driver, folder, case_options(case))
                add_capture(
                    case, taken.path, probe_at=taken.places, note=_text(told, "note"), minutes_on=_number(told, "minutes"),
                    read=examined_capture,
                )  # fmt: skip
            for remark in taken.remarks:
                self.tell(remark)

    def answer(self, told: Mapping[str, Json]) -> None:
        """Put down what was measured or done. Raises StrobewiseError, OSError."""
        kind = next((each for each in ANSWER_KINDS if each == told.get("kind")), None)
        place = next((each for each in LEAD_PLACES if each == told.get("place", "cpu")), None)
        fault = next((each for each in OUTCOMES if each == told.get("fault", "")), None)
        if kind is None or place is None or fault is None:
            raise UsageError("this is no answer", "the page", "load it again")
        with self._changing():
            value = told.get("value")
            said = value_said(kind, value) if isinstance(value, str) and value.strip() and kind in WITH_VALUE else _number(told, "value")
            answer = Answer(kind, _text(told, "about"), said, place, fault)
            add_answer(open_case(self.folder), answer, _text(told, "note"))

    def withdraw(self, told: Mapping[str, Json]) -> None:
        """Take an entry out of the verdict. Raises StrobewiseError, OSError."""
        with self._changing():
            withdraw(open_case(self.folder), int(_number(told, "number") or 0), _text(told, "because"))

    def close(self, told: Mapping[str, Json]) -> None:
        """Close the case. Raises StrobewiseError, OSError."""
        was = next((each for each in SUSPECTS if each == told.get("was")), None)
        part = _text(told, "part")
        if was is None or not part:
            raise UsageError("it is not said what it was", "the page", "name the suspect and the part")
        with self._changing():
            state = self.view().state
            if state is None:
                raise UsageError("there is no case yet", "the page", "begin one")
            proven = state.proof is not None and state.proof.state == "proven"
            findings = state.diagnosis.findings if state.diagnosis is not None else []
            rules = dict.fromkeys(finding.rule for finding in findings if finding.severity == "fault")
            close_case(state.case, was, part, proven, tuple(rules))

    def tell(self, text: str) -> None:
        """Keep a word for the page."""
        with self._lock:
            self._notes = [*self._notes, text][-NOTES_KEPT:]
            self._version += 1

    def _changing(self) -> _Change:
        return _Change(self)


class _Change:
    """Holds the desk, and counts the change when it is made."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def __enter__(self) -> None:
        self._desk._lock.acquire()

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self._desk._version += 1
        self._desk._lock.release()


def planned_leads(path: str, step: Step, options: Options) -> tuple[Sequence[tuple[str, str]], Mapping[str, LeadPlace]]:
    """Return which channel is which line where the leads sit as the step asked: nothing for a capture that names its lines itself.

    A channel is found by the name that the step gave it, else by its place in the file. Raises CaptureError, LineMapError, OSError.
    """
    if not step.leads:
        return (), {}
    places: dict[str, LeadPlace] = {lead.line: lead.place for lead in step.leads if lead.place != "cpu"}
    with open_capture(path, options.raw, options.one_a_clock) as capture:
        channels = capture.header.channels
        found = map_channels(channels, extra_lines=options.extra_lines, where=path)
    names = [channel.name for channel in channels if channel.width == 1]
    if not found.unlabelled or len(names) < len(step.leads):
        return (), places
    named = {lead.line: lead.channel for lead in step.leads if lead.channel in names}
    if len(named) == len(step.leads):
        return tuple(named.items()), places
    return tuple((lead.line, names[at]) for at, lead in enumerate(step.leads)), places


def _text(told: Mapping[str, Json], key: str) -> str:
    value = told.get(key, "")
    return value.strip()[:NOTE_CHARS] if isinstance(value, str) else ""


def _number(told: Mapping[str, Json], key: str) -> float | None:
    value = told.get(key)
    if isinstance(value, str) and value.strip():
        text = value
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            raise UsageError(f"{text[:40]!r} is no number", key, "write it with digits") from None
    try:
        number = float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
    except OverflowError:  # an integer of hundreds of digits
        number = float("inf")
    if number is not None and not -1e9 < number < 1e9:
        raise UsageError("this is no number that can be measured", key, "write it again")
    return number
