"""Instructions that ran from RAM in which nothing had been written since the reset."""

from __future__ import annotations

from typing import NamedTuple, Optional


class Unwritten(NamedTuple):
    """Fetches after a reset from RAM that nothing had written since then; it holds what its cells fell into."""

    addresses: int
    first: int  #: address of the earliest of them
    first_s: Optional[float]
    came_from: int  #: address of the fetch before that, -1 where there was none
    returns: int = 0  #: returns to an address that was read from RAM in which nothing had been written
    returned_s: Optional[float] = None  #: the first of them
    returned_at: int = -1  #: where its low byte was read
