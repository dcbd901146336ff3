"""What the metadata of a session file say: sample rate, bytes of a sample, and the channels.

The file is a zip archive with an entry `version` ("1" or "2"), an entry `metadata`, a key file of groups, and the samples in
entries of their own. Source: the capture host's documentation of its session file format, version 2 (from memory), and what the
host that is installed here writes; escapes are those of a key file of the library that writes it.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NamedTuple, Optional

from .. import limits
from ..samples.rate import NO_RATE, parse_rate
from ..vcd.header import printable, quoted

MAX_METADATA_BYTES = 1 << 20
VERSIONS = ("1", "2")
_CHANNEL = re.compile(r"(probe|analog)([1-9][0-9]{0,5})")
_ESCAPES = {"s": " ", "n": "\n", "t": "\t", "r": "\r", "\\": "\\"}


class MetadataError(Exception):
    """What is wrong with the metadata, in words for the user."""


class RateError(MetadataError):
    """They name no sample rate."""


class SessionChannel(NamedTuple):
    """One channel of the session."""

    name: str
    place: Optional[int]  #: its bit in a sample, from 0; None for volts
    entry: str  #: the archive's entry, without the number of its chunk, that holds its samples


class Metadata(NamedTuple):
    """What the session says of itself."""

    rate: Fraction  #: Hz
    unit_bytes: int  #: bytes of a sample; 0 without logic channels
    channels: tuple[SessionChannel, ...]
    devices: int  #: how many took part; the first one is read


def parse_metadata(data: bytes, rateless: bool = False) -> Metadata:
    """Return what the metadata say of the first device. rateless: they need name no rate (NO_RATE). Raises MetadataError."""
    groups = _groups(data)
    devices = [group for name, group in groups.items() if re.fullmatch(r"device \d+", name)]
    if not devices:
        raise MetadataError("its metadata name no device")
    device = devices[0]
    rate = parse_rate(device.get("samplerate", "")) or (NO_RATE if rateless else None)
    if rate is None:
        given = f", not {quoted(device['samplerate'].encode())}" if "samplerate" in device else ""
        raise RateError(f"its metadata name no sample rate that can be read{given}")
    capture_file = device.get("capturefile", "logic-1")
    channels = _channels(device, capture_file)
    places = [channel.place for channel in channels if channel.place is not None]
    unit = _unit_bytes(device, max(places)) if places else 0
    return Metadata(rate, unit, channels, len(devices))


def _groups(data: bytes) -> dict[str, dict[str, str]]:
    """Return the keys of each group; a line that is none of a key file is passed over."""
    groups: dict[str, dict[str, str]] = {}
    group: dict[str, str] = {}
    for line in data.decode("utf-8", "replace").splitlines():
        text = line.strip()
        if text.startswith("[") and text.endswith("]"):
            group = groups.setdefault(text[1:-1].strip(), {})
        elif "=" in text and not text.startswith("#"):
            key, _, value = line.lstrip().partition("=")
            group.setdefault(key.strip(), re.sub(r"\\(.)", lambda match: _ESCAPES.get(match[1], match[0]), value.strip()))
    return groups


def _channels(device: dict[str, str], capture_file: str) -> tuple[SessionChannel, ...]:
    """Return the logic channels in order of their bits, then those of volts."""
    logic, analog = {}, {}
    for key, name in device.items():
        match = _CHANNEL.fullmatch(key)
        if match is None:
            continue
        number = int(match[2])
        shown = printable(name.encode("utf-8")[: limits.MAX_NAME_BYTES]) or key
        if match[1] == "probe":
            logic[number] = SessionChannel(shown, number - 1, capture_file)
        else:
            analog[number] = SessionChannel(shown, None, f"analog-1-{number}")
    channels = [found[number] for found in (logic, analog) for number in sorted(found)]
    if not channels:
        raise MetadataError("its metadata name no channel")
    if len(channels) > limits.MAX_CHANNELS or max(logic, default=0) > limits.MAX_CHANNELS:
        raise MetadataError(f"it has more than {limits.MAX_CHANNELS} channels")
    return tuple(channels)


def _unit_bytes(device: dict[str, str], highest: int) -> int:
    """Return how many bytes a sample has. highest: bit that a channel uses."""
    needed = highest // 8 + 1
    text = device.get("unitsize", str(needed))
    if not re.fullmatch(r"[0-9]{1,6}", text) or not needed <= int(text) <= limits.MAX_CHANNELS // 8:
        raise MetadataError(f"its channels need {needed} bytes a sample, its metadata say {quoted(text.encode())}")
    return int(text)
