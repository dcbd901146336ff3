"""What became of simulated faults, in seven outcomes, and tables of them. Read by fault_matrix.py; nothing here simulates or diagnoses."""

from __future__ import annotations

import collections
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

PART, LINE, UNDECIDED, SILENT = "the very part", "line, other part", "undecided", "silent, shown"
HIDDEN, WRONG, ALARM = "silent, not shown", "wrong", "false alarm"
OUTCOMES = (PART, LINE, UNDECIDED, SILENT, HIDDEN, WRONG, ALARM)
SURE = 0.7  #: confidence from which a wrong suspect costs somebody a good part
#: Findings that tell in words what the bus does and since when, whoever is to blame.
TELLS = frozenset({
    "lost-its-way", "restarts-without-end", "starts-again", "fetches-nowhere", "fetches-only", "halted-for-good", "went-silent",
    "clock-stopped", "reads-all-ff", "reads-all-00", "reads-all-alike", "reads-unsteady", "ram-unsteady", "return-address-differs",
    "program-contradicted", "no-requests", "requests-without-fetch", "reset-loop", "rom-content", "operands-contradicted", "data-late",
    "slow-strobe", "runs-unwritten", "bytes-not-obeyed", "stack-differs", "ram-read-otherwise", "reads-otherwise", "walks-nowhere",
    "returns-to-start", "returns-unpushed", "clock-slips", "nmi-bounces", "spikes", "reads-one-byte",
    "told-ram-wrong", "told-rom-wrong", "one-instruction", "goes-on-without-jump", "interrupts-without-pause", "stack-grows",
})  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One capture to be judged; everything follows from these fields."""

    fault: str  #: kind, or "" for a healthy machine
    leads: str
    seed: int


@dataclass(frozen=True)
class Named:
    """A line that a finding of severity "fault" names."""

    rule: str
    confidence: float
    right: bool  #: the fault spoils it


@dataclass(frozen=True)
class Result:
    """What became of a case."""

    case: Case
    outcome: str
    state: str
    suspect: str  #: the verdict's first
    confidence: float
    shown: bool  #: the captured lines differ from those of the healthy twin
    alike: bool  #: the first suspect is the cause, or looks exactly like it on the captured lines
    told: bool  #: a finding, or a warning, tells in words what the bus does and since when, names the line, or the part first
    lines: tuple[Named, ...]  #: empty where the fault spoils no line
    detail: str
    seconds: float

    @property
    def named(self) -> bool:
        """Whether the part, the line, or what the bus does is named."""
        return self.outcome in (PART, LINE) or (self.told and self.outcome in (UNDECIDED, WRONG) and self.confidence < SURE)

    @property
    def wrongly_sure(self) -> bool:
        """Whether a part that is not the cause, nor looks like it, is blamed at SURE or above."""
        return self.state == "fault" and self.shown and not self.alike and self.confidence >= SURE


def outcome_of(shown: bool, state: str, first: str, suspects: Sequence[str], line_named: bool, warned: bool = False) -> str:
    """Return one of OUTCOMES.

    shown: whether the captured lines differ from the healthy twin's. state, first: the verdict's, and its first suspect.
    suspects: the cause, then those that look alike. line_named: whether a fault's finding names a line that the fault spoils.
    warned: whether a warning tells of it, where no fault is found.
    """
    if state == "cannot_decide":
        return UNDECIDED
    if state == "no_fault_found":
        return (UNDECIDED if warned else SILENT) if shown else HIDDEN
    if not shown:
        return ALARM
    if first == suspects[0]:
        return PART
    return LINE if line_named or first in suspects else WRONG


def save(results: Iterable[Result], path: Path) -> None:
    """Add results to a file, one a line."""
    with path.open("a", encoding="utf-8") as file:
        for result in results:
            file.write(json.dumps(asdict(result)) + "\n")


def load(paths: Iterable[Path]) -> list[Result]:
    """Return the results of files that save wrote."""
    rows = [json.loads(line) for path in paths for line in path.read_text(encoding="utf-8").splitlines()]
    return [Result(**{**row, "case": Case(**row["case"]), "lines": tuple(Named(**each) for each in row["lines"])}) for row in rows]


def table(title: str, results: list[Result], key: Callable[[Result], str]) -> None:
    """Print counts of the outcomes by a key."""
    rows: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    for result in results:
        rows[key(result)][result.outcome] += 1
    rows["all"] = collections.Counter(result.outcome for result in results)
    print(f"\n{title:24s}" + "".join(f"{name:>19s}" for name in OUTCOMES))
    for name, counts in rows.items():
        print(f"{name:24s}" + "".join(f"{counts[outcome] or '-':>19}" for outcome in OUTCOMES))


def shares(results: list[Result]) -> None:
    """Print, of the faults that the captured lines show, how many are named."""
    print(f"\n{'of faults that show':24s}{'captures':>12s}{'named':>12s}{'part or line':>14s}{'very part':>12s}{'wrong at 0.7':>14s}")
    seen = [r for r in results if r.case.fault and r.shown]
    for leads in dict.fromkeys(r.case.leads for r in seen):
        some = [r for r in seen if r.case.leads == leads]
        counts = (sum(r.named for r in some), sum(r.outcome in (PART, LINE) for r in some), sum(r.outcome == PART for r in some))
        named, part_or_line, part = (f"{count / len(some):.0%}" for count in counts)
        print(f"{leads:24s}{len(some):12d}{named:>12s}{part_or_line:>14s}{part:>12s}{sum(r.wrongly_sure for r in some):14d}")


def calibration(results: list[Result]) -> None:
    """Print how often verdicts and findings of each confidence were right."""
    bands = ((0.0, 0.3), (0.3, 0.4), (0.4, 0.5), (0.5, 0.6), (0.6, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 1.01))
    given = [r for r in results if r.state == "fault"]
    lines = [named for r in given for named in r.lines]
    for title, pairs in (
        ("confidence in the part", [(r.confidence, (r.outcome == PART, r.alike)) for r in given]),
        ("confidence in the line", [(named.confidence, (named.right, named.right)) for named in lines]),
    ):
        print(f"\n{title:24s}{'number':>12s}{'mean':>12s}{'right':>12s}{'or alike':>12s}")
        for low, high in bands:
            some = [(sure, right) for sure, right in pairs if low <= sure < high]
            if some:
                mean = sum(sure for sure, _ in some) / len(some)
                right, alike = (sum(each[index] for _, each in some) / len(some) for index in (0, 1))
                print(f"{low:.1f} to {min(high, 1.0):.1f}{'':14s}{len(some):12d}{mean:12.2f}{right:12.0%}{alike:12.0%}")
