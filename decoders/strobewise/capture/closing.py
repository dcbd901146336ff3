"""A capture as a context manager: the file that it reads is closed behind the `with`."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import Optional, TypeVar

_Self = TypeVar("_Self", bound="Closing")


class Closing(ABC):
    """What has a file open. A context manager, which closes it."""

    def __enter__(self: _Self) -> _Self:
        return self

    def __exit__(self, kind: Optional[type[BaseException]], error: Optional[BaseException], trace: Optional[TracebackType]) -> None:
        self.close()

    @abstractmethod
    def close(self) -> None:
        """Close the file."""
