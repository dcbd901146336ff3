"""Read ahead in a thread: while one block is judged, the next is read. Array work lets go of the interpreter lock: both cores help."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from typing import Generic, Optional, TypeVar

Item = TypeVar("Item")

DEPTH = 2  #: items read ahead: more would only cost memory


class _End(Generic[Item]):
    def __init__(self, error: Optional[BaseException]) -> None:
        self.error = error


def prefetched(items: Iterator[Item], depth: int = DEPTH) -> Iterator[Item]:
    """Yield the same items, produced up to `depth` ahead in a thread; what goes wrong there is raised here.

    When the caller stops early the thread stops at its next item.
    """
    ready: queue.Queue[Item | _End[Item]] = queue.Queue(depth)
    stopped = threading.Event()

    def hand_over(item: Item | _End[Item]) -> None:
        while not stopped.is_set():
            try:
                ready.put(item, timeout=0.1)
                return
            except queue.Full:
                continue

    def produce() -> None:
        try:
            for item in items:
                hand_over(item)
                if stopped.is_set():
                    return
        except BaseException as error:
            hand_over(_End(error))
        else:
            hand_over(_End(None))

    thread = threading.Thread(target=produce, name="reader", daemon=True)
    thread.start()
    try:
        while True:
            item = ready.get()
            if isinstance(item, _End):
                if item.error is not None:
                    raise item.error
                return
            yield item
    finally:
        stopped.set()
        thread.join(timeout=5)
