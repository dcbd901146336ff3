"""The capture host sigrok as a child process: which devices it finds, what each can do, and one record of one of them.

Only its public command line is used, and never its decoders: no option that loads one is ever given.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Mapping
from typing import NamedTuple

from strobewise.errors import ComponentMissing, StrobewiseError

HOST = "sigrok-cli"
REMEDY = (
    "install it (Debian, Ubuntu: apt install sigrok-cli; others: sigrok.org), or capture with another program and give its file to diagnose"
)
SCAN_TIMEOUT_S = 60
SPARE_S = 30.0  #: for starting a device and writing the file, beyond the length of the record
_UNITS = {"": 1, "k": 1_000, "M": 1_000_000, "G": 1_000_000_000}
_RATE = re.compile(r"(\d+(?:\.\d+)?) ?([kMG]?)Hz")
_DEVICE = re.compile(r"^(?P<driver>\S+) - (?P<words>.*?) with \d+ channels?: (?P<channels>.+)$")


class Device(NamedTuple):
    """A device that the host found."""

    driver: str  #: what selects it: the driver's name, perhaps with its place
    words: str
    channels: tuple[str, ...]  #: that hold levels, as the device calls them

    @property
    def is_demo(self) -> bool:
        """Whether the host makes its signals up."""
        return self.driver.partition(":")[0] == "demo"


class Abilities(NamedTuple):
    """What a device can do."""

    channels: tuple[str, ...]
    rates: tuple[int, ...]  #: Hz; empty where the host gives a range, or says nothing
    rate_range: tuple[int, int] | None  #: Hz
    triggers: bool


def find_host() -> str:
    """Return the path of the host's command line. Raises ComponentMissing."""
    found = shutil.which(HOST)
    if found is None:
        raise ComponentMissing("the capture host is not here", HOST, REMEDY)
    return found


def devices() -> list[Device]:
    """Return the devices that the host finds, its demo device last. Raises ComponentMissing, StrobewiseError."""
    said = _ask("--scan")
    matches = (_DEVICE.match(line.strip()) for line in said.splitlines())
    found = [Device(m["driver"], m["words"], _logic(m["channels"].split())) for m in matches if m is not None]
    return sorted(found, key=lambda device: device.is_demo)


def abilities(driver: str) -> Abilities:
    """Return what a device can do. Raises ComponentMissing; StrobewiseError where there is none."""
    return read_abilities(_ask("-d", driver, "--show"))


def read_abilities(text: str) -> Abilities:
    """Read the host's description of a device."""
    group = re.search(r"^\s*Logic: channels (.+)$", text, re.MULTILINE)
    matches = [_DEVICE.match(line) for line in text.splitlines()]
    named = next((m["channels"].split() for m in matches if m is not None), [])
    channels = tuple(group[1].split()) if group is not None else _logic(named)
    span = re.search(r"samplerate \((.+?) - (.+?)(?: in steps.*)?\)", text)
    ends = [hertz(part) for part in span.groups()] if span is not None else []
    rates = re.search(r"samplerate - supported samplerates:\n((?:\s+[\d.]+ [kMG]?Hz.*\n?)+)", text)
    listed = sorted(rate for line in rates[1].splitlines() if (rate := hertz(line)) is not None) if rates is not None else []
    low, high = ends if len(ends) == 2 else (None, None)
    return Abilities(channels, tuple(listed), (low, high) if low is not None and high is not None else None, "Supported triggers" in text)


def hertz(text: str) -> int | None:
    """Return the first frequency in a text as the host writes it, "24 MHz"; None where there is none."""
    match = _RATE.search(text)
    return round(float(match[1]) * _UNITS[match[2]]) if match is not None else None


def record(
    driver: str, names: Mapping[str, str], rate_hz: int, samples: int, path: str, trigger: tuple[str, str] | None = None
) -> str:
    """Record into a VCD file, and return what the host said meanwhile.

    names: channel of the device -> its name in the file. trigger: (name in the file, "rising" or "falling"), for which the host waits
    without end. Raises ComponentMissing, StrobewiseError.
    """
    command = [
        find_host(), "-d", driver, "-c", f"samplerate={rate_hz}", "--samples", str(samples),
        "-C", ",".join(f"{channel}={name}" for channel, name in names.items()), "-O", "vcd", "-o", path,
    ]  # fmt: skip
    if trigger is not None:
        command += ["-t", f"{trigger[0]}={trigger[1][0]}", "-w"]
    said = _run(command, None if trigger is not None else samples / rate_hz + SPARE_S, driver)
    if not os.path.isfile(path) or not os.path.getsize(path):
        what = f"the capture host wrote nothing{_quoted(said)}"
        raise StrobewiseError(what, driver, "check the device's cable, and try sigrok-cli by hand")
    return said


def _ask(*arguments: str) -> str:
    where = arguments[1] if arguments[0] == "-d" else HOST
    return _run([find_host(), *arguments], SCAN_TIMEOUT_S, where, errors_too=False)


def _run(command: list[str], timeout_s: float | None, where: str, errors_too: bool = True) -> str:
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=timeout_s, check=False)
    except subprocess.TimeoutExpired:
        remedy = "unplug the device and plug it in again; fewer channels and a slower rate ask less of its cable"
        raise StrobewiseError("the capture host does not come to an end", where, remedy) from None
    errors = done.stderr.decode(errors="replace").strip()
    if done.returncode:
        raise StrobewiseError(f"the capture host refuses{_quoted(errors)}", where, "strobewise capture --list shows what is there")
    return errors if errors_too else done.stdout.decode(errors="replace")


def _quoted(text: str) -> str:
    first = text.splitlines()[-1].strip().rstrip(".") if text.strip() else ""
    return f": {first}" if first else ""


def _logic(names: list[str]) -> tuple[str, ...]:
    """Return the channels without those of volts, which the host lists behind the others: there the numbering begins anew."""
    stem = names[0].rstrip("0123456789") if names else ""
    return tuple(name for name in names if name.rstrip("0123456789") == stem)
