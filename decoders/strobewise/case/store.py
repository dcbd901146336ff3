"""The folder of a case: plain files that may live in git, be zipped and sent. Every change is written whole or not at all.

    case.toml                   the sheet: symptom, machine, every capture and answer in the order in which they came
    machine/                    the profile, with the ROM images that it names beside it
    captures/NUMBER-NAME        the captures, each with its map (NAME.map.toml) beside it

Nothing is removed: what is withdrawn stays on the sheet with its reason.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from ..bus.model import SUSPECTS, LeadPlace, Suspect
from ..capture.channels.beside import map_text, read_beside
from ..errors import UsageError
from ..files.names import map_path
from ..files.plain_data import toml_bytes
from ..files.writing import claimed, copy_whole, whole_file
from ..hookup.symptoms import SYMPTOMS, UNKNOWN
from .records import AS_ITS_FILE_SAYS, Answer, Case, Closed, Item, Taken
from .sheet import SHEET, CaseError, parse_sheet, read_sheet, sheet_text

SYMPTOM_NAMES = tuple(symptom.name for symptom in (*SYMPTOMS, UNKNOWN))
LEADS_MAX = 64  #: of any analyser that takes the CPU's 40 pins and some of the board's
_SAFE = re.compile(r"[^A-Za-z0-9._-]+")
_NAME_CHARS = 80  #: of a file's name that are kept: any file system takes them with what is put before
#: How long a change waits for another one, our choice: whoever adds a capture holds the folder while it is copied and judged.
_WAIT_S = 60.0


def now() -> str:
    """Return the time, UTC, to the second."""
    return datetime.datetime.now(datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def new_case(
    folder: str | Path, profile: str | Path | None = None, symptom: str = UNKNOWN.name, *, leads: int = 8,
    clock_hz: float | None = None, socketed: Sequence[str] = (), machine: str = "",
) -> Case:
    """Begin a case in a folder, which is made where it is not there.

    profile: of the machine, a file or the name of a generic one. socketed: parts that come out without soldering, of SUSPECTS or chips.
    Raises UsageError where the folder holds a case already or an argument makes no sense; ProfileError, OSError.
    """
    place = Path(folder)
    _refuse_second(place)
    if symptom not in SYMPTOM_NAMES:
        raise UsageError(f"there is no symptom {symptom!r}", "--symptom", f"one of {', '.join(SYMPTOM_NAMES)}")
    if not 1 <= leads <= LEADS_MAX:
        raise UsageError(f"{leads} leads", "--leads", f"a number from 1 to {LEADS_MAX}")
    place.mkdir(parents=True, exist_ok=True)
    from .machine_files import copy_profile

    with claimed(os.fspath(place), _WAIT_S):
        _refuse_second(place)
        (place / "captures").mkdir(exist_ok=True)
        known = copy_profile(profile, place) if profile is not None else None
        return _write(Case(place, symptom, now(), known, leads, clock_hz, tuple(socketed), plain_text(machine)))


def open_case(folder: str | Path) -> Case:
    """Return the case in a folder.

    Raises UsageError where there is none, CaseError for a sheet that says nonsense, ProfileError, OSError.
    """
    place = Path(folder)
    if not (place / SHEET).is_file():
        raise UsageError("there is no case", str(place), "begin one with strobewise case new, or name its folder")
    return read_sheet(place)


def add_capture(
    case: Case, path: str | Path, *, maps: Sequence[tuple[str, str]] = (), probe_at: Mapping[str, LeadPlace] | None = None,
    note: str = "", minutes_on: float | None = None, name: str | None = None, read: Callable[[Case, Item], object] | None = None,
    taken: Taken = AS_ITS_FILE_SAYS,
) -> Case:
    """Copy a capture into the case, with its map beside it. Returns the case as it is then.

    maps: (line, channel), above what a map beside the capture says. name: what to call it, where the file's own name says nothing.
    read: looks at the copy before it is put on the sheet (state.examined_capture); what it raises takes the copy away again.
    taken: what the file does not say of itself.
    Raises UsageError, LineMapError, OSError; nothing is added then.
    """
    source = Path(path)
    if not source.is_file():
        raise UsageError("there is no such capture", str(source), "name a file")
    with _changing(case) as there:
        _refuse_closed(there)
        return _added(there, source, Item(0, now(), plain_text(note), "", minutes_on, taken=taken), maps, probe_at or {}, name, read)


def _added(
    case: Case, source: Path, about: Item, maps: Sequence[tuple[str, str]], probe_at: Mapping[str, LeadPlace], name: str | None,
    read: Callable[[Case, Item], object] | None,
) -> Case:  # fmt: skip
    """Copy a capture into a case that is held, and put it on the sheet. about: the entry, without number and file."""
    number = len(case.items) + 1
    file = f"captures/{number}-{safe_name(name or source.name)}"
    target = case.folder.joinpath(*file.split("/"))
    beside = read_beside(str(source))
    pairs = {line: channel for line, channel in (*(beside.pairs if beside is not None else ()), *maps)}
    places = {**(beside.probe_at if beside is not None else {}), **probe_at}
    _own_folder_of(case, target)
    item = replace(about, number=number, file=file)
    try:
        copy_whole(str(source), str(target))
        if pairs or places:
            guessed = beside is not None and beside.guessed and not maps
            _write_text(Path(map_path(target)), map_text(pairs.items(), places, guessed))
        if read is not None:
            read(case, item)
        return _write(replace(case, items=(*case.items, item)))
    except BaseException:
        for made in (target, Path(map_path(target))):
            made.unlink(missing_ok=True)
        raise


def add_answer(case: Case, answer: Answer, note: str = "") -> Case:
    """Put down what was measured or done. Returns the case as it is then. Raises UsageError, OSError."""
    from .checks import checked

    with _changing(case) as there:
        _refuse_closed(there)
        item = Item(len(there.items) + 1, now(), plain_text(note), answer=checked(answer, there.profile))
        return _write(replace(there, items=(*there.items, item)))


def withdraw(case: Case, number: int, because: str) -> Case:
    """Take an entry out of the verdict; it stays on the sheet with the reason. A closed case says that its proof rested on it.

    Raises UsageError, OSError.
    """
    with _changing(case) as there:
        item = next((item for item in there.items if item.number == number), None)
        if item is None:
            remedy = f"it has {len(there.items)}: strobewise case show lists them"
            raise UsageError(f"the sheet has no entry {number}", str(there.folder), remedy)
        if not item.counts:
            raise UsageError(f"entry {number} is withdrawn already", str(there.folder), "strobewise case show says why")
        reason = plain_text(because)
        if not reason:
            raise UsageError("no reason", "--because", "say why it no longer counts: wrong clip, wrong machine, bad reading")
        items = tuple(replace(each, withdrawn=reason) if each is item else each for each in there.items)
        closed = there.closed
        if closed is not None and (item.answer is None or item.answer.kind != "note"):
            closed = closed._replace(withdrawn_since=(*closed.withdrawn_since, number))
        return _write(replace(there, items=items, closed=closed))


def close_case(case: Case, was: Suspect, part: str, proven: bool, rules: Sequence[str] = (), note: str = "") -> Case:
    """Say what it was. rules: what the captures showed, for the shop's own experience.

    Raises UsageError, also where the sheet is no longer the one that `proven` was said of; OSError.
    """
    if was not in SUSPECTS:
        raise UsageError(f"{was!r} is no suspect", "--was", f"one of {', '.join(SUSPECTS)}")
    with _changing(case) as there:
        _refuse_closed(there)
        if there.items != case.items:
            raise UsageError("the case has been changed meanwhile", str(case.folder), "look at it, then give the command again")
        return _write(replace(there, closed=Closed(was, plain_text(part), now(), proven, tuple(rules), plain_text(note))))


def _refuse_closed(case: Case) -> None:
    if case.closed is not None:
        raise UsageError("the case is closed", str(case.folder), "begin another one with strobewise case new")


def plain_text(text: str) -> str:
    """Return text as the sheet keeps it: on one line, without what is not printable."""
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())


def safe_name(name: str) -> str:
    """Return a file name that any system takes, and that leads out of no folder: letters, digits, dot, dash and underscore."""
    last = re.split(r"[/\\]", name)[-1]
    tidy = _SAFE.sub("-", last).strip(".-") or "capture.vcd"
    return tidy[-_NAME_CHARS:].lstrip(".-")


@contextlib.contextmanager
def _changing(case: Case) -> Iterator[Case]:
    """Hold the folder of a case while it changes, and give the case as it is by now: another program may have changed it.

    Raises UsageError where another program holds it for long; CaseError, ProfileError, OSError.
    """
    with claimed(os.fspath(case.folder), _WAIT_S):
        yield open_case(case.folder)


def _refuse_second(place: Path) -> None:
    if (place / SHEET).exists():
        raise UsageError("there is a case already", str(place), "name another folder, or go on with strobewise case next")


def _own_folder_of(case: Case, target: Path) -> None:
    """Make the folder of a file in the case. Raises UsageError where a link leads out of the case."""
    target.parent.mkdir(exist_ok=True)
    if not target.parent.resolve().is_relative_to(case.folder.resolve()):
        raise UsageError("a link leads out of the case", str(target.parent), "put a folder in its place")


def _write(case: Case) -> Case:
    """Write the sheet, once it is seen that it can be read again. Raises UsageError for a value that no sheet may hold."""
    text = sheet_text(case)
    try:
        parse_sheet(tomllib.loads(text), case.folder, case.profile)
    except CaseError as error:
        raise UsageError(error.what, "the case", error.remedy) from None
    _write_text(case.folder / SHEET, text)
    return case


def _write_text(path: Path, text: str) -> None:
    content = toml_bytes(text, path.name)
    with whole_file(os.fspath(path)) as out:
        out.write(content)
