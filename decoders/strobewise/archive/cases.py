"""The cases in a folder that is surveyed: which capture is whose, and how it is read."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from ..case.records import Case, Item
from ..case.sheet import SHEET, read_sheet
from ..case.state import case_options
from ..errors import StrobewiseError
from ..profile.options import Options


@dataclass(frozen=True)
class CaseFolder:
    """One folder with a case in it."""

    path: str  #: from the folder surveyed, with slashes; "." for that folder itself
    case: Case | None
    error: str | None = None  #: why its sheet cannot be read

    @property
    def inside(self) -> str:
        """What the paths of its files begin with."""
        return "" if self.path == "." else f"{self.path}/"

    def item(self, path: str) -> Item | None:
        """Return the entry of a capture by its path from the folder surveyed, None for one that is on no sheet."""
        items = self.case.items if self.case is not None else ()
        return next((item for item in items if item.file is not None and self.inside + item.file == path), None)


def find_cases(folder: str) -> list[CaseFolder]:
    """Return the cases in a folder and the folders in it, in order of their paths."""
    top = Path(os.path.realpath(folder))
    found = []
    for place, folders, files in os.walk(top):
        folders.sort()
        if SHEET in files:
            path = os.path.relpath(place, top).replace(os.sep, "/")
            try:
                found.append(CaseFolder(path, read_sheet(Path(place))))
            except (StrobewiseError, OSError) as error:
                found.append(CaseFolder(path, None, str(error)))
    return sorted(found, key=lambda each: each.path)


def case_of(path: str, cases: Iterable[CaseFolder]) -> CaseFolder | None:
    """Return the case that a capture lies in, the innermost one."""
    return max((each for each in cases if path.startswith(each.inside)), key=lambda each: len(each.inside), default=None)


def digest_of(own: CaseFolder, path: str) -> str:
    if own.case is None:
        return ""
    item = own.item(path)
    said = own.case.clock_hz, own.case.profile, item.taken if item is not None else None
    return hashlib.sha256(repr(said).encode()).hexdigest()


def options_in_case(folder: str, case: str, path: str, options: Options) -> Options:
    """Return how a capture of a case is read: as the sheet says, and above it what the command line gives.

    folder: the one surveyed; case, path: from it. Raises StrobewiseError, OSError.
    """
    own = CaseFolder(case, read_sheet(Path(folder) if case == "." else Path(folder, *case.split("/"))))
    assert own.case is not None
    item = own.item(path)
    said = case_options(own.case, item.taken) if item is not None else case_options(own.case)
    return replace(
        options, clock_hz=options.clock_hz or said.clock_hz, profile=options.profile or said.profile,
        clocked=options.clocked or said.clocked, raw=options.raw or said.raw,
        stimulus=options.stimulus or said.stimulus, free_run=options.free_run or said.free_run,
    )  # fmt: skip
