"""What ``--raw`` says: RATE[/BYTES]:LINE=BIT,... and for a bus LINE=FIRST..LAST, bit 0 of it first."""

from __future__ import annotations

import re

from ...errors import UsageError
from ...records.raw import RawForm
from .. import limits
from ..samples.rate import parse_rate

_EXAMPLE = "write RATE[/BYTES]:LINE=BIT,..., as 24M:MREQ=0,M1=1 or 12M/2:MREQ=0,D=8..15"
_CHANNEL = re.compile(r"\s*([^=,]{1,100}?)\s*=\s*([0-9]{1,5})(?:\s*\.\.\s*([0-9]{1,5}))?\s*")


def parse_raw(text: str) -> RawForm:
    """Return what the text says. Raises UsageError."""
    head, colon, listed = text.partition(":")
    rate_text, slash, bytes_text = head.partition("/")
    rate = parse_rate(rate_text)
    if not colon or rate is None:
        raise UsageError(f"{text!r} names no sample rate and channels", "--raw", _EXAMPLE)
    channels: list[tuple[str, int]] = []
    for item in listed.split(","):
        channels += _channels(item)
    bits = [bit for _, bit in channels]
    doubled = next((bit for at, bit in enumerate(bits) if bit in bits[:at]), None)
    if doubled is not None:
        raise UsageError(f"bit {doubled} is given twice", "--raw", "one bit of a sample is one channel")
    needed = max(bits) // 8 + 1
    if not slash:
        return RawForm(rate, needed, tuple(channels))
    if not re.fullmatch(r"[0-9]{1,5}", bytes_text.strip()) or not needed <= int(bytes_text) <= limits.MAX_CHANNELS // 8:
        raise UsageError(f"{bytes_text.strip()!r} is no number of bytes for these bits", "--raw", f"they need {needed} a sample at least")
    return RawForm(rate, int(bytes_text), tuple(channels))


def _channels(item: str) -> list[tuple[str, int]]:
    match = _CHANNEL.fullmatch(item)
    if match is None:
        raise UsageError(f"{item!r} is no line and bit", "--raw", _EXAMPLE)
    name, first, last = match[1], int(match[2]), int(match[3] or match[2])
    if max(first, last) >= limits.MAX_CHANNELS:
        raise UsageError(f"there is no bit {max(first, last)}", "--raw", "bits are counted from 0, the least significant first")
    if match[3] is None:
        return [(name, first)]
    step = 1 if last >= first else -1
    return [(f"{name}{at}", bit) for at, bit in enumerate(range(first, last + step, step))]
