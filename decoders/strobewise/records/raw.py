"""What raw samples are, in the words of the user."""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple, Tuple


class RawForm(NamedTuple):
    """How raw samples lie in a file or a stream; the least significant byte of a sample comes first."""

    rate: Fraction  #: samples a second
    unit_bytes: int  #: bytes of a sample
    channels: Tuple[Tuple[str, int], ...]  #: name, and bit in a sample from 0, the least significant first
