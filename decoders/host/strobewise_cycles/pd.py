"""Host samples in, machine cycles out. What the bus means is in the engine; this file only speaks with the host."""

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

from strobewise.bus.lines import LINE, bar
from strobewise.bus.model import KINDS
from strobewise.stream.labels import WORDS, CycleItems, LengthItems, wait_texts
from strobewise.stream.messages import Messages
from strobewise.stream.pins import CHANNELS
from strobewise.stream.sampler import Sampler, Sinks

#: The window colours a class by its number and its row: so waits are orange and remarks red, lengths neither.
LENGTHS, REMARKS, WAITS = range(len(KINDS), len(KINDS) + 3)
FETCHED, WRITTEN = range(2)
CLOCK_RANGE_HZ = (10_000, 50_000_000)


def _channel(name):
    return {"id": name.lower(), "name": name, "desc": f"{bar(name)}, {LINE[name].meaning}"}


class Decoder(srd.Decoder):
    """Machine cycles."""

    api_version = 3
    id = "strobewise_cycles"
    name = "Z80 cycles"
    longname = "Z80 machine cycles"
    desc = "Machine cycles of a Z80 CPU, even when a strobe is dead."
    license = "mit"
    inputs = ["logic"]
    outputs = ["strobewise_cycles"]
    tags = ["Retro computing", "Bus"]
    channels = ()
    optional_channels = tuple(_channel(name) for name in CHANNELS)
    options = (
        {"id": "clock_hz", "desc": "CPU clock in Hz when CLK is not captured (0: measure it)", "default": 0},
        {"id": "clock_edges", "desc": "Edges of CLK", "default": "use", "values": ("use", "ignore")},
        {"id": "look", "desc": "Samples to look at", "default": "points", "values": ("points", "every edge")},
        {"id": "lengths", "desc": "Lengths of cycles", "default": "show", "values": ("show", "hide")},
    )
    annotations = (
        *((kind.replace("_", "-"), WORDS[kind].long) for kind in KINDS),
        ("cycle-length", "Cycle length"),
        ("remark", "Remark"),
        ("wait-states", "Wait states"),
    )
    annotation_rows = (
        ("cycles", "Machine cycles", tuple(range(len(KINDS)))),
        ("waits", "Waits", (WAITS,)),
        ("lengths", "Cycle lengths", (LENGTHS,)),
        ("remarks", "Remarks", (REMARKS,)),
    )
    binary = (("fetched", "Bytes fetched as opcodes"), ("written", "Bytes written to memory and ports"))

    ended = 0  #: instances that the host has ended

    def __init__(self):
        self.rate = None
        self.reset()

    def reset(self):
        self.last, self.inferred = -1, 0  #: number of the last cycle, how many fetches were inferred
        self.messages = None

    def metadata(self, key, value):
        if key == srd.SRD_CONF_SAMPLERATE:
            self.rate = value or None

    def start(self):
        self.out = self.register(srd.OUTPUT_ANN)
        self.stream = self.register(srd.OUTPUT_PYTHON)
        self.bytes = self.register(srd.OUTPUT_BINARY)
        self.count = self.register(srd.OUTPUT_META, meta=(int, "Machine cycles", "Machine cycles rebuilt"))
        self.guessed = self.register(srd.OUTPUT_META, meta=(int, "Inferred fetches", "Opcode fetches known without a good /M1"))
        hz = self.options["clock_hz"]
        low, high = CLOCK_RANGE_HZ
        if hz != 0 and not low <= hz <= high:
            raise ValueError(f"strobewise_cycles: option clock_hz is {hz}: give 0 or {low} to {high}")
        for option in self.options_with_values():
            if self.options[option["id"]] not in option["values"]:
                choices = " or ".join(repr(value) for value in option["values"])
                raise ValueError(f"strobewise_cycles: option {option['id']} is {self.options[option['id']]!r}: give {choices}")
        self.clock_hz = hz or None

    def options_with_values(self):
        return [option for option in type(self).options if "values" in option]

    def decode(self):
        try:
            every_edge, ignore_clock = self.options["look"] != "points", self.options["clock_edges"] == "ignore"
            Sampler(self, self.sinks(), self.rate, self.clock_hz, every_edge, ignore_clock).run(self.is_first_to_end)
        except (EOFError, SystemError):  # the end of the capture
            if self.is_first_to_end():
                self.close()
            type(self).ended += 1
            raise
        except Exception as error:  # in the host's window an exception would hide all that was found
            self.remark(self.samplenum, self.samplenum + 1, f"strobewise stopped here, please report it: {error!r}", "stopped")
            self.close()

    def is_first_to_end(self):
        """Say whether put() may still be called: at its end the host frees one stack after the other, and put() then trips over those."""
        return type(self).ended == 0

    def sinks(self):
        """Return who is told of what is found; bound once, since they are called for every cycle."""
        put, out, stream, binary = self.put, self.out, self.stream, self.bytes
        shown, shown_lengths = CycleItems(KINDS), LengthItems(LENGTHS)
        fetched = [[FETCHED, bytes((byte,))] for byte in range(256)]
        written = [[WRITTEN, bytes((byte,))] for byte in range(256)]
        self.t = 0.0
        self.messages = messages = Messages(lambda start, end, message: put(start, end, stream, message))
        tell_begun, tell_ended = (messages.begun, messages.ended) if messages.wanted else (None, None)

        def begun(item):
            number, kind, start, release, address, data, waits, inferred, _, _ = item
            if start < 0:  # noqa: PLR1730 - a call would cost; T1 of the first cycle may lie before the capture
                start = 0
            put(start, release, out, shown[kind, address, data, inferred])
            if waits:
                put(release - round(waits * self.t), release, out, [WAITS, wait_texts(waits)])
            if tell_begun is not None:
                tell_begun(start, release, item)
            self.last = number
            if kind == "opcode_fetch":
                if inferred:
                    self.inferred += 1
                if data is not None:
                    put(start, release, binary, fetched[data])
            elif data is not None and kind in ("memory_write", "io_write"):
                put(start, release, binary, written[data])

        lengths = self.options["lengths"] == "show"

        def ended(item):
            _, _, start, end, t_states, note = item
            if start < 0:  # noqa: PLR1730 - as above
                start = 0
            if lengths or note:
                put(start, end, out, shown_lengths[t_states, note])
            if tell_ended is not None:
                tell_ended(start, end, item)

        def settled(bus):
            self.t = bus.t_samples or 0.0
            messages.tell(0, self.samplenum, "bus", bus)

        def moved(line, level, time):
            messages.tell(time, time, "line", line, level, time)

        def quiet(time, control, last_clock, since):
            messages.tell(time, time, "quiet", time, control, last_clock, since)

        return Sinks(begun, ended, settled, moved, quiet, self.remark)

    def remark(self, start, end, long, short):
        self.put(start, max(end, start + 1), self.out, [REMARKS, [long, short, "!"]])

    def close(self):
        """Say what there was, at the end of the capture."""
        end = max(self.samplenum, 0)
        self.messages.tell(end, end, "finish", end)
        self.put(0, end, self.count, self.last + 1)
        self.put(0, end, self.guessed, self.inferred)
