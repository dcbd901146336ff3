"""Read a capture in a process of its own, so that two processors work on it: text there, machine cycles here.

The process is a copy of this one (fork), made before the program has loaded the rest of itself; its blocks come through a pipe, which also
holds it back when it is ahead. What it knows at the end (levels, warnings, the error that ended it) comes behind the last block. Only for a
program that has no other threads: a copy of them would not run. Where the system cannot do it, reading goes on in this process.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import select
import signal
import struct
import sys
import threading
from collections.abc import Callable, Iterator
from io import FileIO
from typing import NoReturn, Optional, TypeGuard

import numpy as np

from ..errors import CaptureError
from .interface import Capture
from .records import Block
from .vcd.reader import VcdCapture

LEAST_BYTES = 4 << 20  #: of a smaller file one process has read all before another one would have begun
PIPE_BYTES = 1 << 20
#: Events of the block, or _END; 1 where bits that are not known follow; bytes of the file read so far; bytes of knowledge behind it.
_HEAD = struct.Struct("<qqqq")
_END = -1
_F_SETPIPE_SZ = 1031  #: Linux, fcntl(2)


def possible(capture: Capture) -> TypeGuard[VcdCapture]:
    """Say whether a second process can read this capture, and has a processor to run on."""
    if sys.platform != "linux" or not hasattr(os, "fork") or not hasattr(os, "sched_getaffinity") or len(os.sched_getaffinity(0)) < 2:
        return False
    return type(capture) is VcdCapture  # a waveform file has a process already


def worth_while(capture: Capture) -> TypeGuard[VcdCapture]:
    """Say whether a second process is possible, and the file so large that it helps."""
    return possible(capture) and os.path.isfile(capture.path) and os.path.getsize(capture.path) >= LEAST_BYTES


class Apart:
    """The blocks of a capture, read by another process, which starts at once.

    Raises, while iterated, what reading raised there: CaptureError, OSError; CaptureError when the process was killed.
    """

    _process: int
    _pipe: FileIO
    _blocks: Iterator[Block]

    def __init__(self, capture: VcdCapture, blocks: Iterator[Block], informed: bool = False) -> None:
        """blocks: what ``capture.blocks()`` returned, not yet begun. After the last one the capture knows what the other process knew;
        with informed=True after each one.
        """
        if sys.platform == "win32":
            raise NotImplementedError  # see possible()
        reading, writing = os.pipe()
        _widen(writing)
        self._process = os.fork()
        if not self._process:
            os.close(reading)
            _produce(capture, blocks, writing, informed)
        os.close(writing)
        self._ended = False
        self._pipe = open(reading, "rb", buffering=0)
        self._blocks = _received(capture, self._pipe.readinto)

    def __iter__(self) -> Iterator[Block]:
        return self._blocks

    def end(self) -> None:
        """End the other process; whoever waits for a block is told that it was ended."""
        if sys.platform == "win32":
            raise NotImplementedError  # see possible()
        if not self._ended:
            self._ended = True
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._process, signal.SIGKILL)
            os.waitpid(self._process, 0)

    def close(self) -> None:
        """End the other process and forget what it sent."""
        self.end()
        self._pipe.close()


@contextlib.contextmanager
def read_apart(capture: VcdCapture, blocks: Iterator[Block]) -> Iterator[Iterator[Block]]:
    """Give the blocks of a capture, read by a process that ends with the context. See :class:`Apart`."""
    apart = Apart(capture, blocks)
    try:
        yield iter(apart)
    finally:
        apart.close()


def _widen(pipe: int) -> None:
    """Have the pipe hold some blocks, where the system allows it."""
    if sys.platform == "win32":
        raise NotImplementedError  # see possible()
    import fcntl

    with contextlib.suppress(OSError):
        fcntl.fcntl(pipe, _F_SETPIPE_SZ, PIPE_BYTES)


# --- in the other process ---------------------------------------------------------------------------------------------


def _produce(capture: VcdCapture, blocks: Iterator[Block], writing: int, informed: bool) -> NoReturn:
    """Write all blocks and what is known at the end; never return into the copy of the program."""
    status = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the other process is told, and ends this one
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        threading.Thread(target=_end_with_the_reader, args=(writing,), daemon=True).start()
        error: Optional[BaseException] = None
        try:
            for block in blocks:
                _write_block(writing, block, capture.taken, pickle.dumps(capture.knowledge()) if informed else b"")
        except Exception as found:  # whatever it is, the other process shall say it
            error = found
        if not isinstance(error, BrokenPipeError):
            known = _pickled(error, capture)
            _write(writing, _HEAD.pack(_END, 0, capture.taken, len(known)) + known)
        status = 0
    finally:
        os._exit(status)


def _end_with_the_reader(writing: int) -> None:
    """End this process when nobody is left to read from it, also while it waits for a stream in which nothing comes."""
    if sys.platform == "win32":
        raise NotImplementedError  # see possible()
    watched = select.poll()
    watched.register(writing, 0)  # errors alone: the other end was closed
    watched.poll()
    os._exit(1)


def _pickled(error: Optional[BaseException], capture: VcdCapture) -> bytes:
    try:
        return pickle.dumps((error, capture.knowledge()))
    except Exception:
        return pickle.dumps((RuntimeError(repr(error)), capture.knowledge()))


def _write_block(writing: int, block: Block, taken: int, knowledge: bytes) -> None:
    unknown = block.unknown
    _write(writing, _HEAD.pack(len(block.times), unknown is not None, taken, len(knowledge)) + knowledge)
    for array in (block.times, block.words, unknown):
        if array is not None and len(array):
            _write(writing, np.ascontiguousarray(array).data.cast("B"))


def _write(writing: int, data: bytes | memoryview) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(writing, view) :]


# --- in this process --------------------------------------------------------------------------------------------------


def _received(capture: VcdCapture, readinto: Callable[[memoryview], Optional[int]]) -> Iterator[Block]:
    def fill(view: memoryview) -> None:
        while view:
            count = readinto(view)
            if not count:
                raise CaptureError("the process reading it was ended", capture.path, remedy="try it with fewer programs running")
            view = view[count:]

    head = memoryview(bytearray(_HEAD.size))
    while True:
        fill(head)
        count, has_unknown, taken, size = _HEAD.unpack(head)
        known = memoryview(bytearray(size))
        fill(known)
        if count == _END:
            error, knowledge = pickle.loads(known)
            capture.learn(knowledge)
            if error is not None:
                raise error
            return
        times, words = np.empty(count, np.int64), np.empty(count, np.uint64)
        unknown = np.empty(count, np.uint64) if has_unknown else None
        for array in (times, words, unknown):
            if array is not None and count:
                fill(array.data.cast("B"))
        capture.note_taken(taken)
        if size:
            capture.learn(pickle.loads(known))
        yield Block(times, words, unknown)
