"""Read a capture in a process of its own, so that two processors work on it: text there, machine cycles here.

The process is a copy of this one (fork), made before the program has loaded the rest of itself. Its blocks come through memory that both
share, a few slots that hold it back when it is ahead; a pipe says what lies in them, another one which are free again. What it knows at the
end (levels, warnings, the error that ended it) comes behind the last block. Only for a program that has no other threads: a copy of them
would not run. Where the system cannot do it, reading goes on in this process.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import pickle
import select
import signal
import struct
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from io import FileIO
from typing import NoReturn, Optional, TypeGuard

import numpy as np

from ..errors import CaptureError
from .interface import Capture
from .records import Block, Times, Words
from .vcd.reader import VcdCapture

LEAST_BYTES = 4 << 20  #: of a smaller file one process has read all before another one would have begun
SLOTS, SLOT_EVENTS = 4, 40 << 10  #: blocks of 20,000 events, best for reading, are judged faster two at a time
SLOT_BYTES = 3 * 8 * SLOT_EVENTS
#: Events of the block, or _END; 1 where bits that are not known follow; its slot, or _PIPED; bytes of the file read so far; bytes of
#: knowledge behind it.
_HEAD = struct.Struct("<qqqqq")
_END = _PIPED = -1  #: no number of events, and no slot


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
    _free: FileIO
    _blocks: Iterator[Block]

    def __init__(self, capture: VcdCapture, blocks: Iterator[Block], informed: bool = False) -> None:
        """blocks: what ``capture.blocks()`` returned, not yet begun. After the last one the capture knows what the other process knew;
        with informed=True after each one.
        """
        if sys.platform == "win32":
            raise NotImplementedError  # see possible()
        shared = mmap.mmap(-1, SLOTS * SLOT_BYTES)
        (reading, writing), (freed, free) = os.pipe(), os.pipe()
        self._process = os.fork()
        if not self._process:
            os.close(reading)
            os.close(free)
            _Sender(shared, writing, freed).send_all(capture, blocks, informed)
        os.close(writing)
        os.close(freed)
        self._ended = False
        self._pipe, self._free = open(reading, "rb", buffering=0), open(free, "wb", buffering=0)
        self._blocks = _received(capture, self._pipe.readinto, shared, self._free.write)

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
        self._free.close()


@contextlib.contextmanager
def read_apart(capture: VcdCapture, blocks: Iterator[Block]) -> Iterator[Iterator[Block]]:
    """Give the blocks of a capture, read by a process that ends with the context. See :class:`Apart`."""
    apart = Apart(capture, blocks)
    try:
        yield iter(apart)
    finally:
        apart.close()


# --- in the other process ---------------------------------------------------------------------------------------------


class _Sender:
    """Sends blocks, and at the end what is known."""

    def __init__(self, shared: mmap.mmap, writing: int, freed: int) -> None:
        """writing: the pipe that says what comes. freed: the one that brings a byte for each slot that was emptied."""
        self._shared, self._writing, self._freed = shared, writing, freed
        self._sent = 0  #: slots filled
        self._waiting: list[Block] = []  #: for the next slot

    def send_all(self, capture: VcdCapture, blocks: Iterator[Block], informed: bool) -> NoReturn:
        """Send all blocks and what is known at the end; never return into the copy of the program."""
        status = 1
        try:
            signal.signal(signal.SIGINT, signal.SIG_IGN)  # the other process is told, and ends this one
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            threading.Thread(target=_end_with_the_reader, args=(self._writing,), daemon=True).start()
            error: Optional[BaseException] = None
            try:
                self._send_blocks(capture, blocks, informed)
            except Exception as found:  # whatever it is, the other process shall say it
                error = found
            if not isinstance(error, BrokenPipeError):
                known = _pickled(error, capture)
                _write(self._writing, _HEAD.pack(_END, 0, _PIPED, capture.taken, len(known)) + known)
            status = 0
        finally:
            os._exit(status)

    def _send_blocks(self, capture: VcdCapture, blocks: Iterator[Block], informed: bool) -> None:
        try:
            for block in blocks:
                if sum(len(each.times) for each in self._waiting) + len(block.times) > SLOT_EVENTS:
                    self._send(capture.taken)
                self._waiting.append(block)
                if informed:
                    self._send(capture.taken, pickle.dumps(capture.knowledge()))
        finally:  # before an error comes what was read up to there
            self._send(capture.taken)

    def _send(self, taken: int, knowledge: bytes = b"") -> None:
        """Send the blocks that wait, as one."""
        blocks, self._waiting = self._waiting, []
        if not blocks:
            return
        hidden = any(block.unknown is not None for block in blocks)
        parts = [block.times for block in blocks], [block.words for block in blocks], [_unknown(block) for block in blocks if hidden]
        events, arrays = sum(map(len, parts[0])), [array for part in parts for array in part]
        slot = self._put(arrays) if events <= SLOT_EVENTS else _PIPED
        _write(self._writing, _HEAD.pack(events, hidden, slot, taken, len(knowledge)) + knowledge)
        for array in arrays if slot == _PIPED else ():
            _write(self._writing, np.ascontiguousarray(array).data.cast("B"))

    def _put(self, arrays: Sequence[Times | Words]) -> int:
        """Copy arrays side by side into the next slot, once it is free; return its number."""
        if self._sent >= SLOTS and not os.read(self._freed, 1):
            raise BrokenPipeError  # nobody is left to read
        slot = self._sent % SLOTS
        self._sent += 1
        at = slot * SLOT_BYTES
        for array in arrays:
            np.frombuffer(self._shared, array.dtype, len(array), at)[:] = array
            at += array.nbytes
        return slot


def _unknown(block: Block) -> Words:
    return np.zeros(len(block.words), np.uint64) if block.unknown is None else block.unknown


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


def _write(writing: int, data: bytes | memoryview) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(writing, view) :]


# --- in this process --------------------------------------------------------------------------------------------------


def _received(
    capture: VcdCapture, readinto: Callable[[memoryview], Optional[int]], shared: mmap.mmap, free: Callable[[bytes], Optional[int]]
) -> Iterator[Block]:
    def fill(view: memoryview) -> None:
        while view:
            count = readinto(view)
            if not count:
                raise CaptureError("the process reading it was ended", capture.path, remedy="try it with fewer programs running")
            view = view[count:]

    head = memoryview(bytearray(_HEAD.size))
    while True:
        fill(head)
        count, has_unknown, slot, taken, size = _HEAD.unpack(head)
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
        at = slot * SLOT_BYTES
        for array in (times, words, unknown):
            if array is None:
                continue
            if slot != _PIPED:
                array[:] = np.frombuffer(shared, array.dtype, count, at)
                at += array.nbytes
            elif count:
                fill(array.data.cast("B"))
        if slot != _PIPED:
            with contextlib.suppress(BrokenPipeError):  # it has sent all and is gone
                free(b"\0")
        capture.note_taken(taken)
        if size:
            capture.learn(pickle.loads(known))
        yield Block(times, words, unknown)
