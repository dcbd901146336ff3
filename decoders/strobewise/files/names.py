"""What lies beside a file that the user names, by its name."""

from __future__ import annotations

import os
from typing import Union

MAP_ENDING = ".map.toml"  #: behind a capture's whole name, its own ending included


def map_path(capture: Union[str, "os.PathLike[str]"]) -> str:
    """Return where the channel map of a capture lies."""
    return os.fspath(capture) + MAP_ENDING
