"""What the cycle plug-in tells those who are stacked on it, in the form that they want: nobody, nothing.

They are asked once, before the first sample: the message ``("wants", names)`` carries a set, to which each adds the names of the messages
that it wants. Cycles come one by one ("cycle", "end"), or in batches ("cycles"), which cost a third of that; all other messages are rare
and are told to everybody.
"""

from __future__ import annotations

from typing import Callable, List, Set, Tuple

from .records import Begun, BegunItem, Ended, EndedItem

BATCH = 16  #: cycles in a message: each message has its price, and each cycle waits for it

Message = Tuple[object, ...]


class Messages:
    """Puts the messages of one cycle stream. Times are samples from 0 on."""

    def __init__(self, put: Callable[[int, int, Message], None]) -> None:
        """put: called with start, end and message; those who listen are asked here."""
        wants: Set[str] = set()
        put(0, 0, ("wants", wants))
        self._put = put
        self._single, self._batched = not wants.isdisjoint(("cycle", "end")), "cycles" in wants
        self.wanted = self._single or self._batched  #: somebody wants cycles
        self._begun: List[BegunItem] = []
        self._ended: List[EndedItem] = []

    def begun(self, start: int, release: int, item: BegunItem) -> None:
        """Tell a cycle's first item."""
        if self._single:
            self._put(start, release, ("cycle", Begun._make(item)))
        if self._batched:
            self._begun.append(item)

    def ended(self, start: int, end: int, item: EndedItem) -> None:
        """Tell a cycle's second item."""
        if self._single:
            self._put(start, end, ("end", Ended._make(item)))
        if self._batched:
            self._ended.append(item)
            if len(self._ended) >= BATCH:
                self._flush(end)

    def tell(self, start: int, end: int, *message: object) -> None:
        """Tell anything else, and before it the cycles that came before it."""
        if self._begun or self._ended:
            self._flush(end)
        self._put(start, end, message)

    def _flush(self, end: int) -> None:
        begun, self._begun = self._begun, []
        ended, self._ended = self._ended, []
        start = max(0, begun[0][2] if begun else ended[0][2])
        self._put(start, max(start, end), ("cycles", begun, ended))
