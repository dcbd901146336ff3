"""Measures the plug-ins inside the real capture host: seconds for a second of bus, against what the host itself needs for its edges.

Usage: python benchmarks/bench_host.py [--seconds S] [--repeat N] [--only WORD]

A simulated machine at 3.5 MHz, sampled at 24 MHz, is laid end to end to so many seconds of bus (default 0.2; 1 is about a million machine
cycles) in a temporary folder. Each row is the processor time of the whole host less that of the host with a decoder that returns at
once, so that reading the file and starting do not count. Floors are measured in the same run, with decoders that declare the same
channels and do nothing: one waits for each edge of /MREQ, the other for the end of /RD or /WR. The best of a few runs counts.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from strobewise.machine import LINE_SETS
from strobewise.stream.pins import CHANNELS
from strobewise_cli import host_cost
from strobewise_cli.host_cost import CLOCK_HZ, CYCLES, NO_CLOCK, SAMPLE_HZ, STROBES

HOST = "sigrok-cli"
DECODERS = Path(__file__).resolve().parents[1] / "decoders"
GOAL = 2.0  #: times the floor of /MREQ's edges, with address and data

FULL = LINE_SETS["full"]

#: Decoders that are measured against: bodies of decode().
EMPTIES = host_cost.EMPTIES | {
    "cycles_alone": "c = {0: 'f', 5: 'h'}\n        while True: pins = wait(c)",
    "points_too": "c = {0: 'f', 5: 'h'}; s = [{0: 'r'}, {'skip': 7}]\n        while True: pins = wait(c); pins = wait(s)",
    "transfers": "c = [{3: 'r'}, {4: 'r'}]\n        while True: pins = wait(c)",
    # Those of stream/fast.py for this clock and this rate, and nothing done with them.
    "same_looks": """idle = [{0: 'f'}, {2: 'f'}, {3: 'f'}, {4: 'f'}, {7: 'e'}, {8: 'e'}, {'skip': 900}]
        points = [[{0: 'r'}, {'skip': n}, {8: 'e'}] for n in (8, 12)]
        release, refresh = [{0: 'r'}, {8: 'e'}, {'skip': 900}], [{'skip': 8}, {8: 'e'}]
        while True:
            pins = wait(idle)
            if not pins[0]:
                wait(points[pins[1]]); wait(release)
                if not pins[1]: wait(refresh)""",
}
FLOORS = (
    ("floor: one look a cycle", "cycles_alone"),
    ("floor: and its sample point", "points_too"),
    ("floor: the looks of the fast path", "same_looks"),
)
COUNTING = '''
import sys
import sigrokdecode as srd
from strobewise_cycles.pd import Decoder as Plain

class Decoder(Plain):
    """Counts its calls of wait(), and says how many there were when the host ends it."""
    id = "counting"
    def decode(self):
        self.waits = 0
        try:
            super().decode()
        finally:
            print("waits", self.waits, "cycles", self.last + 1, file=sys.stderr)
    def wait(self, conditions=None):
        self.waits += 1
        return srd.Decoder.wait(self, conditions)
'''


@dataclass(frozen=True)
class Case:
    """One row of the report."""

    label: str
    lines: tuple[str, ...]
    options: str = ""
    stack: str = ""
    dead: str = ""  #: kind of fault that keeps /M1 from moving
    decoder: str = CYCLES


CASES = (
    Case("address and data", NO_CLOCK),
    Case("address and data, no lengths", NO_CLOCK, ":lengths=hide"),
    Case("the same with CLK", FULL),
    Case("the same with CLK, no lengths", FULL, ":lengths=hide"),
    Case("the same with CLK, its edges ignored", FULL, ":clock_edges=ignore"),
    Case("strobes alone", STROBES),
    Case("strobes alone, strobewise_strobes", STROBES, decoder="strobewise_strobes"),
    Case("the same, no lengths", STROBES, ":lengths=hide", decoder="strobewise_strobes"),
    Case("the same, no lengths, and faults", STROBES, ":lengths=hide", ",strobewise_faults", decoder="strobewise_strobes"),
    Case("/M1 and /MREQ alone", ("M1", "MREQ")),
    Case("/MREQ alone", ("MREQ",)),
    Case("address and data, /M1 dead", NO_CLOCK, dead="dead-high"),
    Case("address and data, every edge", NO_CLOCK, ":look=every edge"),
    Case("address and data, and instructions", NO_CLOCK, stack=",strobewise_instructions"),
    Case("address and data, and faults", NO_CLOCK, stack=",strobewise_faults"),
    Case("all three stacked, no lengths", NO_CLOCK, ":lengths=hide", stack=",strobewise_instructions,strobewise_faults"),
)


class Bench:
    """Runs the host over the captures."""

    def __init__(self, folder: Path, seconds: float, repeat: int) -> None:
        self.folder, self.seconds, self.repeat = folder, seconds, repeat
        self.decoders = folder / "decoders"
        host_cost.write_decoders(self.decoders, (path for path in (DECODERS / "host").iterdir() if path.name != "__pycache__"), EMPTIES)
        (self.decoders / "counting").mkdir()
        (self.decoders / "counting" / "__init__.py").write_text(COUNTING)
        self.baseline = self.best(host_cost.ALONE, CASES[0])

    def capture(self, dead: str) -> Path:
        path = self.folder / f"bus-{dead or 'good'}.bin"
        if not path.exists():
            host_cost.write_capture(path, self.seconds, dead)
        return path

    def run(self, decoder: str, case: Case) -> tuple[float, str]:
        """Return the processor time of one run of the host, and what it says on standard error."""
        return host_cost.host_seconds(HOST, self.capture(case.dead), self.decoders, decoder, case.options + case.stack, case.lines)

    def best(self, decoder: str, case: Case) -> float:
        return min(self.run(decoder, case)[0] for _ in range(self.repeat))

    def per_second(self, decoder: str, case: Case) -> float:
        """Return seconds per second of bus, less what the host needs without decoding."""
        return (self.best(decoder, case) - self.baseline) / self.seconds

    def waits(self, case: Case) -> float:
        """Return calls of wait() for each machine cycle."""
        words = self.run("counting", replace(case, stack=""))[1].split()
        return int(words[words.index("waits") + 1]) / max(1, int(words[words.index("cycles") + 1]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=0.2, help="length of the bus (default 0.2)")
    parser.add_argument("--repeat", type=int, default=3, help="runs of each, of which the best counts (default 3)")
    parser.add_argument("--only", default="", metavar="WORD", help="rows whose label has this in it")
    options = parser.parse_args()
    if shutil.which(HOST) is None:
        sys.exit(f"{HOST} is not here: install it without its bundled decoders")
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), options.seconds, options.repeat)
        print(f"{options.seconds:g} s of bus at {SAMPLE_HZ / 1e6:g} MHz, CPU at {CLOCK_HZ / 1e6:g} MHz; {len(CHANNELS)} channels declared")
        print(f"{'host alone (reads the file)':40s} {bench.baseline:6.2f} s in all")
        floor = bench.per_second(host_cost.FLOOR, CASES[0])
        transfers = bench.per_second("transfers", CASES[0])
        print(f"{'floor: each edge of /MREQ':40s} {floor:6.2f} s per s of bus")
        print(f"{'floor: end of each /RD and /WR':40s} {transfers:6.2f} s per s of bus")
        for label, name in FLOORS:
            took = bench.per_second(name, CASES[0])
            print(f"{label:40s} {took:6.2f} s per s of bus, {took / floor:4.2f} x floor")
        for case in CASES:
            if options.only in case.label:
                took = bench.per_second(case.decoder, case)
                goal = f" (goal {GOAL:g} x)" if case is CASES[0] else ""
                print(f"{case.label:40s} {took:6.2f} s per s of bus, {took / floor:4.2f} x floor{goal}", end="", flush=True)
                print(f", {bench.waits(case):.2f} waits a cycle")


if __name__ == "__main__":
    main()
