"""What can be measured or done at the bench, and what each outcome says of each suspect: tables, apart from logic.

How telling an outcome is, is our choice throughout; which outcome speaks for whom is common practice. A figure is the chance of the outcome
where that suspect is to blame; OTHERS stands for suspects that a row does not name. What no row tells apart is left as it was. What work
costs stands in rules/work.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from ..bus.lines import ADDRESS, BIT, DATA, LINE
from ..bus.model import SUSPECTS, Finding, Suspect
from ..bus.volts import INPUT_HIGH_V, INPUT_LOW_V
from ..errors import UsageError
from ..records.profile import Profile
from ..rules.base import CAUTION_CLIP, CAUTION_LIVE, CAUTION_SOLDER
from ..rules.work import CHECKS as CHECK_WORK
from ..rules.work import Work
from .readings import can_be, refuse_impossible
from .records import ANSWER_KINDS, REPAIRS, SAID_OF, Answer, AnswerKind, Power

WITH_VALUE: tuple[AnswerKind, ...] = ("volts", "ohms", "between", "supply", *SAID_OF)
OTHERS = "others"
Row = Mapping[str, float]

SUPPLY_V = (4.75, 5.25)  #: 5 V within 5 % (Z8400 product specification, operating conditions)
OPEN_OHMS = 20.0  #: a good track, joint or contact has a few ohms with the leads' own; our choice


class Check(NamedTuple):
    """One kind of measurement or trial."""

    kind: AnswerKind
    outcomes: Mapping[str, Row]  #: outcome -> chance of it by suspect; the last outcome is what the others leave over
    power: Power
    caution: str
    words: str  #: what to do; {what} is the line with its pin, or the part
    why: str

    @property
    def work(self) -> Work:
        """What it costs."""
        return CHECK_WORK[self.kind]


#: Of a line that a capture at the CPU shows dead or wrong.
PULSES = Check(
    "pulses", {"no": {"cpu": 0.95, "connection": 0.12, "probe_or_capture": 0.03, OTHERS: 0.6}, "yes": {}}, "on", CAUTION_LIVE,
    "put a scope or a logic probe on {what} itself, the leg of the chip: does it pulse? A meter that stays below 0.8 V says no as well",
    "a pin that is dead at the chip's own leg is the chip (or a short); one that lives there is a lead, a joint or a contact",
)  # fmt: skip
OHMS = Check(
    "ohms", {"open": {"connection": 0.92, OTHERS: 0.03}, "good": {}}, "off", CAUTION_CLIP,
    "measure the resistance of {what}, from the chip's own leg to the far end, while you press on the socket and the joints",
    "an open way is the fault itself; a good one acquits sockets, joints and tracks",
)  # fmt: skip
#: Of two lines that seem to be bridged.
BETWEEN = Check(
    "between", {"bridged": {"connection": 0.9, "data_bus": 0.3, "address_bus": 0.3, "cpu": 0.1, OTHERS: 0.03}, "apart": {}},
    "off", CAUTION_CLIP, "measure the resistance between {what}, and look for a bridge of solder or a whisker where they run side by side",
    "a few ohms between two lines are a bridge; what has none is drawn down elsewhere",
)  # fmt: skip
#: Of a memory chip that does not do as it should.
DRIVEN = Check(
    "driven", {"no": {"glue": 0.6, "connection": 0.7, "address_bus": 0.4, "cpu": 0.05, OTHERS: 0.04}, "yes": {}}, "on",
    CAUTION_LIVE,
    "put a scope or a logic probe on {what}, pin by pin: do its select and output enable pulse (of dynamic RAM /RAS, /CAS, /WE), and "
    "each of its address pins?",
    "a chip that is never selected or addressed is innocent: what drives that pin is not",
)  # fmt: skip
#: Of what stands between the CPU and the memory: buffers, decoders, multiplexers.
PASSES = Check(
    "passes", {"no": {"glue": 0.75, "connection": 0.1, "supply": 0.05, OTHERS: 0.03}, "yes": {}}, "on", CAUTION_LIVE,
    "put a scope or a logic probe on {what}",
    "a chip that gives out what it is told to is innocent; one that does not is swapped before the CPU or a memory is",
)  # fmt: skip
READOUT = Check(
    "readout", {"wrong": {"rom": 0.9, OTHERS: 0.02}, "right": {}}, "off", CAUTION_SOLDER,
    "take the ROM out of its socket, read it in a programmer, and compare it with the image",
    "a ROM that reads right there is innocent; a wrong one can be written anew",
)  # fmt: skip
SUPPLY = Check(
    "supply", {"bad": {"supply": 0.9, OTHERS: 0.02}, "good": {}}, "on", CAUTION_LIVE,
    "measure the supply between pins 11 and 29, at the CPU's own legs",
    "all else rests on it: 4.75 to 5.25 V there",
)  # fmt: skip
UNPLUGGED = Check(
    "unplugged", {"gone": {"expansion_device": 0.95, "connection": 0.1, "supply": 0.15, OTHERS: 0.02}, "stays": {}}, "off",
    CAUTION_CLIP, "unplug all that sits on the expansion port, and see whether the fault stays",
    "a device that holds a line does so no more once it is off",
)  # fmt: skip
RESEATED = Check(
    "reseated", {"gone": {"connection": 0.45, "cpu": 0.02, OTHERS: 0.01}, "stays": {}}, "off", CAUTION_SOLDER,
    "take {what} out of its socket, clean the legs and the contacts, and put it back",
    "a contact that has gone bad is often good again then",
)  # fmt: skip
COOLED = Check(
    "cooled", {"gone": {OTHERS: 0.12}, "stays": {}}, "on", CAUTION_LIVE,
    "once it has failed, cool {what} alone (freeze spray, short bursts), and see whether the fault goes",
    "a part that fails warm works again for a while when it alone is cold",
)  # fmt: skip
COOLED_OWN = 0.85  #: that the fault goes when the part to blame is cooled

#: Trying another part, or mending: that the fault goes where this is to blame, and where something else is.
CURES, CURES_BY_CHANCE = 0.97, 0.04
CURES_TOO: Mapping[AnswerKind, Row] = {"replaced": {"connection": 0.25}}  #: another part in, and a contact may be good again
MENDS: Mapping[AnswerKind, tuple[Suspect, ...]] = {
    "resoldered": ("connection", "data_bus", "address_bus"), "cleaned": ("connection",), "reseated": ("connection",),
}  # fmt: skip

CHECKS: tuple[Check, ...] = (PULSES, OHMS, BETWEEN, DRIVEN, PASSES, READOUT, SUPPLY, UNPLUGGED, RESEATED, COOLED)
BY_KIND: Mapping[AnswerKind, Check] = {check.kind: check for check in CHECKS}

def checked(answer: Answer, profile: Profile | None) -> Answer:
    """Return an answer as the sheet keeps it. Raises UsageError for one that makes no sense."""
    if answer.kind not in ANSWER_KINDS:
        raise UsageError(f"{answer.kind!r} is no answer", "answer", f"one of {', '.join(ANSWER_KINDS)}")
    if answer.kind in ("volts", "ohms", "pulses", "resoldered"):
        answer = answer._replace(about=_line(answer.about, answer.kind, profile))
    elif answer.kind == "between":
        two = [_line(name, answer.kind, profile) for name in answer.about.split("-")]
        if len(set(two)) != 2:
            raise UsageError(f"{answer.about!r} is no pair of lines", answer.kind, "name two with a hyphen, as A11-A12")
        answer = answer._replace(about="-".join(two))
    elif answer.kind in ("reseated", "cooled", "replaced", "unplugged", "cleaned", "driven", "passes", "readout"):
        answer = _with_part(answer, profile)
    if answer.kind in WITH_VALUE and answer.value is None:
        words = SAID_OF.get(answer.kind)
        raise UsageError("no value", answer.kind, f"say {words[1]} or {words[0]}" if words else "give the number that you measured")
    if answer.value is not None:
        refuse_impossible(answer.kind, answer.value)
    return answer


def _line(name: str, kind: str, profile: Profile | None) -> str:
    """Return a line as the tables call it. Raises UsageError for one that there is not."""
    line = name.strip().lstrip("/").upper()
    if line not in BIT and (profile is None or profile.line(line) is None):
        raise UsageError(f"{name!r} is no line", kind, "name a line, as M1 or D3")
    return line


def _with_part(answer: Answer, profile: Profile | None) -> Answer:
    alone = {"unplugged": "expansion_device", "cleaned": "connection", "readout": "rom", "passes": "glue"}
    about = answer.about or alone.get(answer.kind, "")
    suspect = next((name for name in SUSPECTS if name == about.lower()), None)
    if suspect is not None:
        return answer._replace(about=suspect, part=suspect)
    for region in profile.memory if profile is not None else ():
        if about in region.chips and region.kind in ("rom", "ram"):
            return answer._replace(about=about, part="rom" if region.kind == "rom" else "ram")
    if profile is not None and any(chip.chip == about for chip in profile.board):
        return answer._replace(about=about, part="glue")
    raise UsageError(f"{about!r} is no part", answer.kind, f"one of {', '.join(SUSPECTS[:-1])}, or a chip of the profile")


def outcome(answer: Answer) -> str | None:
    """Return the outcome of a check that an answer is, None where it says nothing by itself."""
    value = answer.value
    if value is not None and not can_be(answer.kind, value):  # on a sheet that was written by hand, or by a version that took it
        return None
    if answer.kind in SAID_OF and value is not None:
        return SAID_OF[answer.kind][1 if value else 0]
    if answer.kind == "volts" and value is not None:
        return "no" if value < INPUT_LOW_V else None  # a meter shows the middle of a line that moves: only a low one is surely dead
    if answer.kind == "ohms" and value is not None:
        return "open" if value > OPEN_OHMS else "good"
    if answer.kind == "between" and value is not None:
        return "apart" if value > OPEN_OHMS else "bridged"
    if answer.kind == "supply" and value is not None:
        return "good" if SUPPLY_V[0] <= value <= SUPPLY_V[1] else "bad"
    return answer.fault or None


class Seen(NamedTuple):
    """What captures show of single lines, to be held against what is measured on them."""

    alive: frozenset[str] = frozenset()  #: lines that were seen to move at the CPU
    high: frozenset[str] = frozenset()  #: of these, those that are high for most of the time, as a meter shows it
    low_there: frozenset[str] = frozenset()  #: lines that stay low at the connector throughout
    still_there: frozenset[str] = frozenset()  #: lines that never move at the connector, at whatever level
    low_here: frozenset[str] = frozenset()  #: lines that stay low at the CPU throughout


NOTHING_SEEN = Seen()


def side_by_side(answers: Sequence[Answer], seen: Seen = NOTHING_SEEN) -> list[Answer]:
    """Return answers as what they come to beside each other and beside the captures.

    A line that is high or moves at the CPU, and is dead at the connector, is told as the open way that it is, whichever of the two was
    measured and whichever captured. A leg that is high where its lead shows it low throughout is one that lives.
    """
    measured = {each.about for each in answers if each.place == "cpu" and _lives(each)}
    alive = {"pulses": measured | seen.alive, "volts": measured | seen.high}

    def beside(answer: Answer) -> Answer:
        line, at_cpu = answer.about, answer.place == "cpu"
        if answer.kind not in alive:
            return answer
        if _lives(answer) and line in _dead_there(answer, seen) if at_cpu else outcome(answer) == "no" and line in alive[answer.kind]:
            return Answer("ohms", line, math.inf)
        return Answer("pulses", line, 1.0) if at_cpu and _lives(answer) and line in seen.low_here else answer

    return [beside(each) for each in answers]


def _dead_there(answer: Answer, seen: Seen) -> frozenset[str]:
    """Return the lines that are dead at the connector as a reading at the CPU can tell: a level says nothing of one that is high there."""
    return seen.still_there if answer.kind == "pulses" else seen.low_there


def _lives(answer: Answer) -> bool:
    if answer.value is None or not can_be(answer.kind, answer.value):
        return False
    return (answer.kind == "pulses" and bool(answer.value)) or (answer.kind == "volts" and answer.value >= INPUT_HIGH_V)


def chances(answer: Answer, suspect: Suspect, found: str, reach: float = 1.0) -> float:
    """Return the chance of an outcome of an answer's check where this suspect is to blame, 0..1.

    reach: share of the ways that may be open, or of the board's chips, which a measured one is, where what is known leaves several.
    """
    kind: AnswerKind = "pulses" if answer.kind == "volts" else answer.kind
    if kind in REPAIRS:
        gone = _cured(answer, suspect)
        return gone if found == "gone" else 1.0 - gone
    check = BY_KIND.get(kind)
    if check is None:
        return 1.0
    first = next(iter(check.outcomes))
    row = check.outcomes[first]
    chance = row.get(suspect, row.get(OTHERS, 0.5))
    if kind == "cooled" and suspect == answer.part:
        chance = COOLED_OWN
    if suspect == {"ohms": "connection", "passes": "glue"}.get(kind):
        chance *= reach
    if kind in ("pulses", "volts") and answer.place == "connector":
        chance = 0.95 if suspect in ("connection", "cpu") else chance  # dead there says nothing of which of the two
    return chance if found == first else 1.0 - chance


def _cured(answer: Answer, suspect: Suspect) -> float:
    """Return the chance that a repair makes a fault go away where this suspect is to blame."""
    if suspect == answer.part or suspect in MENDS.get(answer.kind, ()):
        return BY_KIND[answer.kind].outcomes["gone"].get(suspect, CURES) if answer.kind == "reseated" else CURES
    return CURES_TOO.get(answer.kind, {}).get(suspect, CURES_BY_CHANCE)


def reach(answer: Answer, findings: Sequence[Finding], profile: Profile | None = None) -> float:
    """Return which share of the ways that a finding leaves open, or of the chips of the board, a measured one is."""
    if answer.kind == "passes":
        return 1.0 / max(1, len(profile.board)) if profile is not None and answer.about != "glue" else 1.0
    lines = next((f.lines for f in findings if f.severity == "fault" and answer.about in f.lines), ())
    return 1.0 / max(1, len(lines))


def applies_to_line(line: str) -> bool:
    """Say whether a line is an output of the CPU whose pin can be looked at: what drives it is the CPU itself."""
    return line in LINE and LINE[line].direction == "output" and line not in DATA and (line in ADDRESS or LINE[line].pin is not None)
