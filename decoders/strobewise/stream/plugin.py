"""What the plug-ins that find machine cycles have in common: a mix-in for the capture host's decoder class.

The host is not there where the engine runs by itself, so its module comes from the plug-in, as `srd`.
"""

from __future__ import annotations

from typing import Any, Callable, ClassVar, Dict, List, Optional, Sequence, Tuple, Union

from ..bus.clocked import EDGES
from ..bus.lines import LINE, bar
from ..bus.model import KINDS
from .by_clock import ClockedSampler
from .labels import WORDS, CycleItems, LengthItems, wait_texts
from .messages import Messages
from .records import BegunItem, Bus, EndedItem
from .sampler import Sampler, Sinks

#: The window colours a class by its number and its row: so waits are orange and remarks red, lengths neither.
LENGTHS, REMARKS, WAITS = range(len(KINDS), len(KINDS) + 3)
FETCHED, WRITTEN = range(2)
CLOCK_RANGE_HZ = (10_000, 50_000_000)  #: what anybody clocks this CPU with, by hand-made circuits and by the fastest CMOS parts


def channels_of(names: Sequence[str]) -> Tuple[Dict[str, str], ...]:
    """Return lines as the host takes them for channels. names: canonical, in the order of pins.CHANNELS and from its beginning."""
    return tuple({"id": name.lower(), "name": name, "desc": f"{bar(name)}, {LINE[name].meaning}"} for name in names)


class CyclePlugin:
    """Samples of the host in, machine cycles out. What the bus means is in the engine; this only speaks with the host."""

    srd: Any  #: the host's module
    id: str
    # What the host gives every decoder:
    register: Callable[..., Any]
    put: Callable[..., None]
    wait: Callable[..., Any]
    samplenum: int
    matched: Tuple[bool, ...]

    api_version = 3
    license = "mit"
    inputs: ClassVar[List[str]] = ["logic"]
    outputs: ClassVar[List[str]] = ["strobewise_cycles"]
    tags: ClassVar[List[str]] = ["Retro computing", "Bus"]
    channels = ()
    options: Any = (  # the host puts the values that the user chose in their place, by id
        {"id": "clock_hz", "desc": "CPU clock in Hz when CLK is not captured (0: measure it)", "default": 0},
        {"id": "clock_edges", "desc": "Edges of CLK", "default": "use", "values": ("use", "ignore")},
        {"id": "look", "desc": "Samples to look at", "default": "points", "values": ("points", "every edge")},
        {"id": "clocked", "desc": "One sample a clock, at this edge", "default": "no", "values": ("no", *EDGES)},
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

    def __init__(self) -> None:
        self.rate: Optional[int] = None
        self.reset()

    def reset(self) -> None:
        """Begin anew; the sample rate stays."""
        self.last, self.inferred = -1, 0  #: number of the last cycle, how many fetches were inferred
        self.messages: Optional[Messages] = None

    def metadata(self, key: object, value: Optional[int]) -> None:
        """Take what the host knows of the capture."""
        if key == self.srd.SRD_CONF_SAMPLERATE:
            self.rate = value or None

    def start(self) -> None:
        """Take the options. Raises ValueError for one that makes no sense."""
        self.out = self.register(self.srd.OUTPUT_ANN)
        self.stream = self.register(self.srd.OUTPUT_PYTHON)
        self.bytes = self.register(self.srd.OUTPUT_BINARY)
        self.count = self.register(self.srd.OUTPUT_META, meta=(int, "Machine cycles", "Machine cycles rebuilt"))
        self.guessed = self.register(self.srd.OUTPUT_META, meta=(int, "Inferred fetches", "Opcode fetches known without a good /M1"))
        hz = self.options["clock_hz"]
        low, high = CLOCK_RANGE_HZ
        if hz != 0 and not low <= hz <= high:
            raise ValueError(f"{self.id}: option clock_hz is {hz}: give 0 or {low} to {high}")
        for option in self.options_with_values():
            if self.options[option["id"]] not in option["values"]:
                choices = " or ".join(repr(value) for value in option["values"])
                raise ValueError(f"{self.id}: option {option['id']} is {self.options[option['id']]!r}: give {choices}")
        self.clock_hz = hz or None

    def options_with_values(self) -> Sequence[Dict[str, Any]]:
        """Return the options that have values to choose from."""
        return [option for option in type(self).options if "values" in option]

    def decode(self) -> None:
        """Follow the capture to its end."""
        try:
            self.sampler().run(self.is_first_to_end)
        except (EOFError, SystemError):  # the end of the capture
            if self.is_first_to_end():
                self.close()
            CyclePlugin.ended += 1
            raise
        except Exception as error:  # in the host's window an exception would hide all that was found
            self.remark(self.samplenum, self.samplenum + 1, f"strobewise stopped here, please report it: {error!r}", "stopped")
            self.close()

    def sampler(self) -> Union[Sampler, ClockedSampler]:
        """Return what looks at the capture, as the options say."""
        options, sinks = self.options, self.sinks()
        if options["clocked"] != "no":
            return ClockedSampler(self, sinks, str(options["clocked"]), self.clock_hz)
        every_edge, ignore_clock = options["look"] != "points", options["clock_edges"] == "ignore"
        return Sampler(self, sinks, self.rate, self.clock_hz, every_edge, ignore_clock)

    def is_first_to_end(self) -> bool:
        """Say whether put() may still be called: at its end the host frees one stack after the other, and put() then trips over those."""
        return CyclePlugin.ended == 0

    def sinks(self) -> Sinks:
        """Return who is told of what is found; bound once, since they are called for every cycle."""
        put, out, stream, binary = self.put, self.out, self.stream, self.bytes
        shown, shown_lengths = CycleItems(KINDS), LengthItems(LENGTHS)
        fetched = [[FETCHED, bytes((byte,))] for byte in range(256)]
        written = [[WRITTEN, bytes((byte,))] for byte in range(256)]
        self.t = 0.0
        self.messages = messages = Messages(lambda start, end, message: put(start, end, stream, message))
        tell_begun, tell_ended = (messages.begun, messages.ended) if messages.wanted else (None, None)

        def begun(item: BegunItem) -> None:
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

        def ended(item: EndedItem) -> None:
            _, _, start, end, t_states, note = item
            if start < 0:  # noqa: PLR1730 - as above
                start = 0
            if lengths or note:
                put(start, end, out, shown_lengths[t_states, note])
            if tell_ended is not None:
                tell_ended(start, end, item)

        def settled(bus: Bus) -> None:
            self.t = bus.t_samples or 0.0
            messages.tell(0, self.samplenum, "bus", bus)

        def moved(line: str, level: int, time: int) -> None:
            messages.tell(time, time, "line", line, level, time)

        def quiet(time: int, control: int, last_clock: int, since: int) -> None:
            messages.tell(time, time, "quiet", time, control, last_clock, since)

        return Sinks(begun, ended, settled, moved, quiet, self.remark)

    def remark(self, start: int, end: int, long: str, short: str) -> None:
        """Show something that the user should know."""
        self.put(start, max(end, start + 1), self.out, [REMARKS, [long, short, "!"]])

    def close(self) -> None:
        """Say what there was, at the end of the capture."""
        end = max(self.samplenum, 0)
        assert self.messages is not None
        self.messages.tell(end, end, "finish", end)
        self.put(0, end, self.count, self.last + 1)
        self.put(0, end, self.guessed, self.inferred)
