"""What lies beside a file that the user names, by its name."""

from __future__ import annotations

import os
from typing import Union

from .reading import is_stream

MAP_ENDING = ".map.toml"  #: behind a capture's whole name, its own ending included


def map_path(capture: Union[str, "os.PathLike[str]"]) -> str:
    """Return where the channel map of a capture lies."""
    return os.fspath(capture) + MAP_ENDING


def named_in(file: Union[str, "os.PathLike[str]"], name: str) -> str:
    """Return the path of a file that another one names, from the folder of that one.

    A name with backslashes that is none here is taken for one from a system where they part folders.
    """
    folder = os.path.dirname(os.fspath(file))
    path = os.path.join(folder, name)
    if "\\" in name and os.sep != "\\" and not os.path.exists(path):
        return os.path.join(folder, name.replace("\\", "/"))
    return path


def seen_from(file: str, name: str) -> str:
    """Return how a file names another one, with slashes, which every system takes; the whole path where no way leads there (another drive).

    A stream names others as from the current folder.
    """
    folder = os.getcwd() if is_stream(file) else os.path.dirname(os.path.abspath(file))
    try:
        return os.path.relpath(name, folder).replace(os.sep, "/")
    except ValueError:
        return os.path.abspath(name)
