"""Looks for the lead-in of the test program: opcodes whose rhythm tells which line of the bus fails, whichever does.

    python benchmarks/stimulus_lead_in.py [--steps 300] [--seed 1]

Opcodes of one byte that stay harmless when any one of their bits is wrong are put into some order, and changed step by step as long as
fewer faults are left that lead the CPU astray or that look like another's. What it found last stands in strobewise/replay/stimulus.py.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from strobewise.machine.scenario import GENERIC
from strobewise.profile.options import Options
from strobewise.replay.board import ReplayBoard
from strobewise.replay.catalogue import draw
from strobewise.replay.known import known_program
from strobewise.replay.predict import predict
from strobewise.replay.stimulus import LEAD_IN, LEAD_IN_AT, make_stimulus

#: Where the CPU does not go straight on: HALT, relative jumps, and of C0h to FFh all but POP, PUSH, arithmetic, exchanges, ports (UM0080).
_ON_ITS_WAY = {0xC1, 0xC5, 0xC6, 0xCB, 0xCE, 0xD1, 0xD3, 0xD5, 0xD6, 0xD9, 0xDB, 0xDD, 0xDE, 0xE1, 0xE3, 0xE5, 0xE6, 0xEB, 0xEE, 0xF1,
               0xF3, 0xF5, 0xF6, 0xF9, 0xFD, 0xFE}  # fmt: skip
ASTRAY = {0x76, *range(0x10, 0x40, 8)} | set(range(0xC0, 0x100)) - _ON_ITS_WAY
#: Longer than a byte (UM0080): they may come up by a fault, but are not put there.
LONGER = {0x01, 0x11, 0x21, 0x31, 0x22, 0x2A, 0x32, 0x3A, *range(0x06, 0x40, 8)} | set(range(0xC0, 0x100))
#: What would put into HL nobody knows what, or write elsewhere.
ELSEWHERE = {0x02, 0x12, 0x09, 0x19, 0x29, 0x39, *range(0x60, 0x70)}
WELL = {code for code in range(256) if not any(code ^ 1 << bit in ASTRAY for bit in range(8))}
HARMLESS = sorted(WELL - ASTRAY - LONGER - ELSEWHERE)
TELLING = [0x35, 0x37, 0x3D, 0x15, 0x25, 0x24, 0xB5, 0x75, 0x03, 0x07, 0x23]  #: whose length changes with the one or the other bit
CYCLES = 64  #: of the rhythm that are looked at
ENOUGH = 28  #: that must follow where a fault's rhythm parts from the healthy one's
DECIDED = 48  #: by which a fault must have told itself
KINDS = {"dead-high", "dead-low", "shorted", "rom-data-stuck", "open-at-chip", "cpu-data-in-stuck"}
LINES = {*(f"A{bit}" for bit in range(6)), *(f"D{bit}" for bit in range(8))}


def left_open(lead_in: bytes) -> tuple[int, int, int]:
    """Return how many faults lead astray at once, show nothing, or look like another part's."""
    image = bytearray(make_stimulus(0x2000).image)
    image[LEAD_IN_AT : LEAD_IN_AT + len(lead_in)] = lead_in
    program = known_program(Options(roms=(("lead-in", 0, bytes(image)),), profile=GENERIC))
    assert program is not None
    board = ReplayBoard(program.regions)
    healthy = predict(board, CYCLES).on_two_leads()
    if board.journal:  # it has touched RAM
        return 999, 0, 0
    alike = defaultdict(set)
    astray = same = 0
    for hypothesis in next(draw(program, [])):
        wrong = hypothesis.fault
        if wrong.kind not in KINDS or hypothesis.place == "ram" or not LINES.issuperset(wrong.lines):
            continue
        rhythm = predict(ReplayBoard(program.regions, wrong, hypothesis.undriven), CYCLES)
        shown = rhythm.on_two_leads()
        parts = next((at for at, (one, other) in enumerate(zip(shown, healthy, strict=False)) if one != other), None)
        if len(rhythm.cycles) < CYCLES and len(shown) < (parts or 0) + ENOUGH:
            astray += 1
        elif parts is None:
            same += 1
        else:
            alike[shown[:DECIDED]].add(wrong.lines)
    return astray, same, sum(len(parts) - 1 for parts in alike.values())


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--steps", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng = random.Random(args.seed)
    best, found = left_open(LEAD_IN), LEAD_IN
    print(f"as it stands: {best}")
    for _ in range(args.steps):
        tried = bytearray(found)
        for _ in range(rng.choice((1, 1, 2, 4))):
            first, second = rng.sample(range(len(tried)), 2)
            if rng.random() < 0.5:
                tried[first], tried[second] = tried[second], tried[first]
            else:
                tried[first] = rng.choice(HARMLESS + 3 * TELLING)
        now = left_open(bytes(tried))
        if sum(now) <= sum(best):
            if sum(now) < sum(best):
                print(now, bytes(tried).hex(" "), flush=True)
            best, found = now, bytes(tried)
    print(best, found.hex(" "))
    return 0


if __name__ == "__main__":
    sys.exit(main())
