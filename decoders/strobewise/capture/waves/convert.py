"""The process that reads a waveform file: a VCD of it on standard output.

    python -m strobewise.capture.waves.convert FILE

In a process of its own, because the library that reads the format is written in C: what it does with a damaged file must not end the
program. Exit status: 0 all was written, 3 the library is not installed, 4 the file is none that it reads.
"""

from __future__ import annotations

import os
import sys

NOT_INSTALLED, NOT_READABLE = 3, 4  #: exit statuses between the two processes; Python itself ends with 1 and 2


def main(path: str) -> int:
    """Write the file as VCD; return the exit status."""
    try:
        from pylibfst import ffi, lib
    except ImportError:
        return NOT_INSTALLED
    opened = lib.fstReaderOpen(os.fsencode(path))
    if opened == ffi.NULL:
        return NOT_READABLE
    out = open(os.dup(1), "wb")
    if not lib.fstReaderProcessHier(opened, out):
        return NOT_READABLE
    lib.fstReaderSetFacProcessMaskAll(opened)
    read = lib.fstReaderIterBlocks(opened, ffi.NULL, ffi.NULL, out)
    out.write(b"#%d\n" % lib.fstReaderGetEndTime(opened))
    out.close()
    lib.fstReaderClose(opened)
    return 0 if read else NOT_READABLE


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
