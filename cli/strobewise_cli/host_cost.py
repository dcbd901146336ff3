"""What the plug-ins cost inside the real capture host, as ratios to a decoder that merely waits for each edge of /MREQ.

A simulated machine's bus, laid end to end, is read by the host from raw samples. What is counted is the processor time of the whole host
less that of the host with a decoder that returns at once, so that reading the file and starting do not count.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from strobewise.bus.lines import ADDRESS, BIT, DATA
from strobewise.machine import GENERIC, LINE_SETS, fault, simulate
from strobewise.stream.pins import CHANNELS
from strobewise_cli.install import link_or_copy

CLOCK_HZ, SAMPLE_HZ = 3_500_000, 24_000_000
TILE_S = 0.02  #: simulated, then laid end to end
SECONDS = (0.02, 0.06)  #: of bus, some 17,000 machine cycles and three times as many
NO_CLOCK = tuple(name for name in LINE_SETS["full"] if name != "CLK")

#: A decoder that is measured against. {work} is the body of decode().
EMPTY = '''
import sigrokdecode as srd

class Decoder(srd.Decoder):
    """Does nothing."""
    api_version, id, name, longname, desc, license = 3, "{id}", "{id}", "{id}", "Does nothing.", "mit"
    inputs, outputs, tags = ["logic"], [], ["Test"]
    optional_channels = tuple(dict(id=name.lower(), name=name, desc=name) for name in {channels})
    annotations = (("none", "None"),)
    def reset(self): pass
    def start(self): pass
    def decode(self):
        wait = self.wait
        {work}
'''
ALONE, FLOOR = "returns_at_once", "mreq_edges"
FLOOR_MEANS = "a decoder that waits for each edge of /MREQ and does nothing"
EMPTIES = {ALONE: "return", FLOOR: "c = [{0: 'e'}]\n        while True: pins = wait(c)"}
STROBES = tuple(name for name in NO_CLOCK if name not in ADDRESS + DATA)
CYCLES = "strobewise_cycles"
#: What is measured: its name, the plug-in that finds the cycles, its options and what is stacked on it, the lines that are mapped.
STACKS = (
    ("strobewise_cycles", CYCLES, "", NO_CLOCK),
    ("strobewise_cycles, its lengths hidden", CYCLES, ":lengths=hide", NO_CLOCK),
    ("with strobewise_instructions on it", CYCLES, ",strobewise_instructions", NO_CLOCK),
    ("with strobewise_faults on it", CYCLES, ",strobewise_faults", NO_CLOCK),
    ("strobewise_strobes", "strobewise_strobes", "", STROBES),
    ("with strobewise_faults on that", "strobewise_strobes", ",strobewise_faults", STROBES),
)


def tile(dead: str = "") -> np.ndarray:
    """Return the words of each sample of a simulated piece of bus that can be laid end to end: it ends as it begins, at a fetch.

    dead: kind of fault that keeps /M1 from moving. Shape (n,), dtype uint64.
    """
    machine = replace(GENERIC, clock_hz=CLOCK_HZ)
    faults = [fault(dead, line="M1")] if dead else []
    capture = simulate(machine=machine, sample_hz=SAMPLE_HZ, duration_s=TILE_S, start_s=0.001, faults=faults)
    changes = np.array([(at, word) for at, word, _ in capture.words()], dtype=np.uint64)
    at = np.rint(changes[:, 0].astype(float) * capture.timescale_ps * SAMPLE_HZ / 1e12).astype(np.int64)
    words = changes[:, 1]
    mreq = np.uint64(1 << BIT["MREQ"])
    falls = np.flatnonzero((words[1:] & mreq == 0) & (words[:-1] & mreq != 0)) + 1
    first = next(k for k in falls if np.count_nonzero(words[falls] == words[k]) > 1)  # the first of those that come again
    last = falls[words[falls] == words[first]][-1]
    return np.repeat(words[first:last], np.diff(at[first : last + 1]))


def write_capture(path: Path, seconds: float, dead: str = "") -> None:
    """Write a raw capture of 64 channels, channel n being bit n of the packed words."""
    samples = tile(dead).astype("<u8").tobytes()
    wanted = int(seconds * SAMPLE_HZ) * 8
    with path.open("wb") as file:
        while wanted > 0:
            wanted -= file.write(samples[:wanted])


def write_decoders(folder: Path, plug_ins: Iterable[Path], empties: dict[str, str]) -> None:
    """Make a folder for the host with plug-ins, and with decoders that are measured against: bodies of decode() by name."""
    folder.mkdir()
    for source in plug_ins:
        link_or_copy(source, folder / source.name)
    for name, work in empties.items():
        (folder / name).mkdir()
        (folder / name / "__init__.py").write_text(EMPTY.format(id=name, channels=repr(CHANNELS), work=work), encoding="utf-8")


def host_seconds(host: str, capture: Path, decoders: Path, decoder: str, rest: str, lines: Iterable[str]) -> tuple[float, str]:
    """Run the host over a raw capture; returns its processor time, and what it says on standard error.

    rest: options of the decoder, and what is stacked on it. lines: those that are mapped. Raises CalledProcessError.
    """
    mapping = "".join(f":{name.lower()}={BIT[name]}" for name in lines)
    command = [host, "-i", str(capture), "-I", f"binary:numchannels=64:samplerate={SAMPLE_HZ}", "-P", decoder + mapping + rest]
    environment = {**os.environ, "SIGROKDECODE_DIR": str(decoders)}
    before = _children_seconds()
    done = subprocess.run(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, encoding="utf-8", errors="replace", check=True, env=environment
    )
    return _children_seconds() - before, done.stderr


def _children_seconds() -> float:
    """Return the processor time of the processes that ended; where the system does not tell, the time of day."""
    if sys.platform == "win32":
        return time.perf_counter()
    import resource  # not os.times(): that counts hundredths of a second, a tenth of what is measured

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def costs(host: str, plug_ins: Iterable[Path], seconds: tuple[float, float] = SECONDS, repeat: int = 2) -> Iterator[tuple[str, float]]:
    """Yield what each stack of plug-ins costs, by its name, as the ratio to the bare decoder; the best of a few runs counts.

    Both are taken for what the longer of two captures takes more than the shorter one: the first thousand cycles, which are looked at edge
    by edge, cost as much as twenty thousand others, but come once. Raises CalledProcessError where the host fails.
    """
    with TemporaryDirectory() as temporary:
        captures, decoders = [Path(temporary, f"bus-{number}.bin") for number in range(2)], Path(temporary, "decoders")
        for capture, length in zip(captures, seconds, strict=True):
            write_capture(capture, length)
        write_decoders(decoders, plug_ins, EMPTIES)

        def more(decoder: str, rest: str = "", lines: tuple[str, ...] = NO_CLOCK) -> float:
            short, long = (
                min(host_seconds(host, capture, decoders, decoder, rest, lines)[0] for _ in range(repeat)) for capture in captures
            )
            return long - short

        alone = more(ALONE)
        floor = more(FLOOR) - alone
        for name, decoder, rest, lines in STACKS:
            yield name, (more(decoder, rest, lines) - alone) / max(floor, 1e-9)
