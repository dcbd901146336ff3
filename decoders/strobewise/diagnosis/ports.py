"""What the ports of a machine answer, learned from a healthy capture of it, for the replay of another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..bus.model import KIND_INDEX
from ..cycles.table import NOT_KNOWN
from ..errors import CaptureError
from ..evidence.kept import KeptCycles
from ..profile.options import Options
from ..records.replay import PortAnswer
from .facade import examine


def learn_ports(path: str, options: Options) -> tuple[PortAnswer, ...]:
    """Return what each port answered in a healthy capture, bit by bit as far as it was always the same.

    options: those of the machine; its program is not needed. Raises CaptureError where the capture shows no read of a port with its
    address and its data, LineMapError, and the OSError of a file that cannot be read.
    """
    kept = KeptCycles()
    examine(path, replace(options, replay=False), more_parts=(kept.attach,))
    table = kept.table()
    reads = table[(table.kind == KIND_INDEX["io_read"]) & (table.address != NOT_KNOWN) & (table.data != NOT_KNOWN)]
    if not len(reads):
        remedy = "capture the healthy machine with /IORQ, /RD and all address and data lines, or leave --like away"
        raise CaptureError("it shows no read of a port", path, remedy=remedy)
    found = []
    for port in np.unique(reads.address):
        data = reads.data[reads.address == port].astype(np.int64)
        ones, zeros = int(np.bitwise_and.reduce(data)), int(~np.bitwise_or.reduce(data)) & 0xFF
        found.append(PortAnswer(int(port), ones, 0xFF & ~(ones | zeros)))
    return tuple(found)
