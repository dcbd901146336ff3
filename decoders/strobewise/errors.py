"""Errors that reach the user: one line that says what is wrong, where, and what to do."""

from __future__ import annotations

from typing import Optional, Tuple


class StrobewiseError(Exception):
    """An error in what the user gave us, never a bug.

    ``str(error)`` is ``WHAT (WHERE): REMEDY``; the parts stay readable as attributes.
    """

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(what, where, remedy)

    def __str__(self) -> str:
        text = self.what
        if self.where:
            text += f" ({self.where})"
        if self.remedy:
            text += f": {self.remedy}"
        return text


class CaptureError(StrobewiseError):
    """A capture that cannot be read: where in the file (line counted from 1, byte offset from 0) and what to do."""

    def __init__(
        self, what: str, path: str, line: Optional[int] = None, offset: Optional[int] = None, remedy: str = ""
    ) -> None:
        self.path = path
        self.line = line
        self.offset = offset
        where = path
        if line is not None:
            where += f", line {line}"
        if offset is not None:
            where += f", byte {offset}"
        super().__init__(what, where, remedy)

    def __reduce__(self) -> Tuple[object, ...]:
        """Let it travel between processes."""
        return type(self), (self.what, self.path, self.line, self.offset, self.remedy)


class LineMapError(StrobewiseError):
    """Channels of a capture that cannot be given to the lines of the CPU."""


class ProfileError(StrobewiseError):
    """A machine profile that says something it must not."""


class ScenarioError(StrobewiseError):
    """A scenario for the simulated bench that says something it must not."""


class UsageError(StrobewiseError):
    """An option with a value that it cannot have."""


class ComponentMissing(StrobewiseError):
    """An optional component that the command needs is not installed."""
