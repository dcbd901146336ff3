"""Which channel of a capture is which line, from all that says so: the command line, the map beside the capture, the names."""

from __future__ import annotations

from ..capture.channels.beside import read_beside
from ..capture.channels.mapping import ChannelMap, map_channels
from ..capture.interface import Recording
from ..profile.options import Options


def label_channels(path: str, capture: Recording, options: Options, beside: bool = True) -> ChannelMap:
    """Return the channel map of an open capture.

    beside: whether the map that lies beside the capture is asked. Raises LineMapError, OSError.
    """
    chosen = options.for_capture(path)
    found = read_beside(path) if beside else None
    return map_channels(
        capture.header.channels, chosen.maps, chosen.map_file, chosen.extra_lines, where=path, own_maps=chosen.own_maps, beside=found
    )
