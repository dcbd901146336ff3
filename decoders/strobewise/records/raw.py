"""What raw samples are, in the words of the user."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Tuple

if TYPE_CHECKING:
    from fractions import Fraction


class RawForm(NamedTuple):
    """How raw samples lie in a file or a stream; the least significant byte of a sample comes first."""

    rate: Fraction  #: samples a second
    unit_bytes: int  #: bytes of a sample
    channels: Tuple[Tuple[str, int], ...]  #: name, and bit in a sample from 0, the least significant first
