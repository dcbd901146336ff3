"""Machine cycles in, instructions out. What they mean is in the engine; this file only speaks with the host."""

from __future__ import annotations

import os
import sys

import sigrokdecode as srd

_here = os.path.dirname(os.path.realpath(__file__))
for _folder in (_here, os.path.dirname(os.path.dirname(_here))):
    if os.path.isdir(os.path.join(_folder, "strobewise")):
        if _folder not in sys.path:
            sys.path.append(_folder)
        break

from strobewise.stream.labels import ALONE_TEXTS
from strobewise.stream.program import STEP_CLASSES, Program, StepItems

CLASSES = (
    ("instruction", "Instruction"),
    ("interrupt", "Interrupt or NMI response"),
    ("halted", "Stay in HALT"),
    ("bus-granted", "Bus granted"),
    ("reset", "Reset"),
    ("misfit", "Cycles that fit no instruction"),
    ("remark", "Remark"),
)
REMARK = len(CLASSES) - 1


class Decoder(srd.Decoder):
    """Instructions."""

    api_version = 3
    id = "strobewise_instructions"
    name = "Z80 program"
    longname = "Z80 instructions"
    desc = "Instructions that a Z80 CPU ran, from its machine cycles."
    license = "mit"
    inputs = ["strobewise_cycles"]
    outputs = ["strobewise_instructions", "strobewise_cycles"]
    tags = ["Retro computing", "Bus"]
    annotations = CLASSES
    annotation_rows = (("flow", "Program flow", tuple(range(REMARK))), ("remarks", "Remarks", (REMARK,)))

    def __init__(self):
        self.reset()

    def reset(self):
        self.program = None
        self.stopped = self.tells_steps = False
        self.number = 0
        class_of = {what: next(i for i, (name, _) in enumerate(CLASSES) if name == STEP_CLASSES[what]) for what in STEP_CLASSES}
        self.items = StepItems(class_of)

    def start(self):
        self.out = self.register(srd.OUTPUT_ANN)
        self.stream = self.register(srd.OUTPUT_PYTHON)
        self.count = self.register(srd.OUTPUT_META, meta=(int, "Instructions", "Instructions that ran"))

    def decode(self, start=0, end=0, message=None):
        self.put(start, end, self.stream, message)  # whoever is stacked on this one gets the machine cycles, too
        if self.stopped:
            return
        if message is None:  # the host runs it by itself
            self.put(0, 1, self.out, [REMARK, ALONE_TEXTS])
            return
        try:
            if message[0] == "cycles":
                self.program.cycles(message[1], message[2])
            else:
                self.take(message)
        except Exception as error:  # in the host's window an exception would hide all that was found
            self.stopped = True
            self.remark(start, end, f"strobewise stopped here, please report it: {error!r}", "stopped")

    def take(self, message):
        """Take one message of the cycle stream, but those of a cycle."""
        what = message[0]
        if what == "wants":
            self.tells_steps = "step" in message[1]  # those stacked on this one were asked first
            message[1].add("cycles")
        elif what == "bus":
            self.program = Program(message[1], self.stepped)
            if self.program.missing:
                lines = ", ".join(self.program.missing)
                self.remark(0, 1, f"No opcode can be read: map the data bus ({lines} missing)", "no data")
        elif self.program is None:
            return
        elif what == "line" and message[1] == "RESET":
            self.program.reset(message[2], message[3])
        elif what == "finish":
            self.program.finish(message[1])
            self.put(0, message[1], self.count, self.number)

    def stepped(self, step):
        """Show a step of the program."""
        what, start, end = step[:3]
        start = max(start, 0)
        self.put(start, end, self.out, self.items.item(step))
        if self.tells_steps:
            self.put(start, end, self.stream, ("step", step[:5] + step[6:]))
        if what == "instruction":
            self.number += 1

    def remark(self, start, end, long, short):
        self.put(max(start, 0), max(end, start + 1), self.out, [REMARK, [long, short, "!"]])
