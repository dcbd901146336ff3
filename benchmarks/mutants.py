"""Put small wrong changes into the code, one at a time, and see whether the nearest tests notice.

Usage: python benchmarks/mutants.py [--count N] [--seed N] [--jobs N] [--area NAME]... [--journal FILE]
           [--known-good SECONDS] [--nearest COVERAGE_FILE JUNIT_FILE [--quick]] [--list]

A change is one of: a comparison turned or moved by one, a constant doubled or halved, an entry of a table dropped, a returned
truth value negated, `and` and `or` exchanged, a `not` taken away. Which changes are tried follows from the seed. Each works on a
copy of the tree in a temporary folder; the checkout is never touched. The tests of the area that the changed file belongs to
run until the first failure; a change that no test notices is a survivor. With --nearest those tests come first that run the changed line,
which spares most of the time (nearest.py says how to make its files); --quick leaves it at these. Survivors that cannot be told from the
code as it is, or that are accepted for another reason, stand in mutants_accepted.toml with that reason.

Why not a library: the two that are well kept, mutmut (3.8) and cosmic-ray (8.7), were looked at. mutmut changes the bodies of
functions only, and the tables and thresholds of this project stand at the level of modules; cosmic-ray replaces a number by its
neighbour, drops no entries, and runs one test command for all, on the checkout itself. Both would run the whole suite too often.
"""

from __future__ import annotations

import argparse
import collections
import concurrent.futures
import json
import os
import queue
import random
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent))
from mutations import Change, Site, make_change, sites_of
from nearest import Nearest

ROOT = Path(__file__).resolve().parents[1]
ENGINE = "decoders/strobewise"
COPIED = ("decoders", "cli", "tests", "traces", "benchmarks", "docs", "pyproject.toml", "README.md", "CHANGELOG.md", "DEVELOPERS.md")
ACCEPTED = Path(__file__).with_name("mutants_accepted.toml")
SHORTEST_TIMEOUT_S = 60.0
SLOWER = 4.0  #: a run that takes so many times what the unchanged code took hangs
NOT_RUN = (4, 5)  #: exit statuses of pytest: a test was not found, none was run


class Area(NamedTuple):
    """Files that belong together and the tests nearest to them, the quick ones first."""

    name: str
    share: int  #: of the changes, relative to the others
    files: tuple[str, ...]
    tests: tuple[str, ...]


def _unit(*names: str) -> tuple[str, ...]:
    return tuple(f"tests/unit/test_{name}.py" for name in names)


#: The two engines on the demo captures; on machines by chance it would take minutes a mutant.
ENGINES_AGREE = (
    "tests/differential/test_engines_agree.py", "--deselect=tests/differential/test_engines_agree.py::test_on_simulated_machines",
)  # fmt: skip

CPU_LOCKSTEP, VCD_READER = "tests/properties/test_cpu_lockstep.py", "tests/properties/test_vcd_reader.py"

AREAS = (
    Area("bus", 8, (f"{ENGINE}/bus",), (*_unit("bus_tables", "calibration", "ac_table", "channels"), "tests/packaging/test_typing.py")),
    Area("cycles", 8, (f"{ENGINE}/cycles",), ("tests/differential/test_machine_truth.py", *ENGINES_AGREE)),
    Area(
        "stream", 8, (f"{ENGINE}/stream",),
        (
            *_unit("stream_details", "stream_watches"), "tests/host/test_stream_for_others.py", *ENGINES_AGREE,
            "tests/host/test_plugins_agree.py",
        ),
    ),
    Area(
        "evidence", 14, (f"{ENGINE}/evidence",),
        _unit("evidence_details", "timing_evidence", "rules_volts", "listing", "prediction", "rules", "leads"),
    ),
    Area(
        "rules", 20, (f"{ENGINE}/rules",),
        _unit(
            "rule_table", "rule_tables", "rules_on_their_limits", "prediction_rules", "rule_records", "rules", "timing_evidence",
            "rules_volts", "prediction", "leads", "rules_simulated",
        ),
    ),
    Area(
        "verdict", 10, (f"{ENGINE}/verdict", f"{ENGINE}/diagnosis"),
        (
            *_unit("verdict", "headline", "steps", "evidence_details", "gathering", "observations", "timing_evidence", "joining"),
            *_unit("replay", "rules"), "tests/golden",
        ),
    ),
    Area("program", 6, (f"{ENGINE}/program",), _unit("tally", "listing", "prediction")),
    Area(
        "capture", 8, (f"{ENGINE}/capture",),
        (*_unit("channels", "vcd_header", "vcd_body", "scope_csv", "grid", "rewrite", "opening", "reading_apart"), VCD_READER),
    ),
    Area("identify", 4, (f"{ENGINE}/identify",), _unit("program_fit", "identify", "ties", "leads")),
    Area("cpu", 6, (f"{ENGINE}/cpu",), (*_unit("cpu_opcodes", "disassembly", "cpu_model", "prediction", "replay"), CPU_LOCKSTEP)),
    Area("replay", 10, (f"{ENGINE}/replay",), _unit("replay", "stimulus")),
    Area(
        "tables", 6, tuple(f"{ENGINE}/{room}" for room in ("profile", "expectations", "hookup", "records", "files")),
        _unit("profile", "expectations", "named_files", "rom_images", "hookup", "output", "evidence_details"),
    ),
    Area("long", 6, (f"{ENGINE}/watch", f"{ENGINE}/archive"), (*_unit("watching", "archive"), "tests/e2e/test_watch.py")),
    Area(
        "machine", 12, (f"{ENGINE}/machine",),
        _unit(
            "machine_wiring", "machine_pins", "machine_analyser", "machine_vcd_text", "machine_programs", "scenario", "machine_bench",
            "machine_faults",
        ),
    ),
    Area("compare", 10, (f"{ENGINE}/compare",), _unit("compare")),
    Area(
        "render", 12, ("cli/strobewise_cli/render",),
        _unit("markdown", "brief", "junit", "render_cycles", "html_report", "explain", "hookup", "compare"),
    ),
    Area(
        "host", 4, ("decoders/host",),
        tuple(f"tests/host/test_{name}.py" for name in ("annotation_texts", "plugins_load", "plugins_faults")),
    ),
)  # fmt: skip


class Mutant(NamedTuple):
    """One change and where it belongs."""

    area: Area
    path: str  #: from the root of the tree
    change: Change

    @property
    def key(self) -> tuple[str, str, str]:
        """What stays the same when lines move."""
        return self.path, self.change.before, self.change.after

    def __str__(self) -> str:
        return f"{self.path}:{self.change.line} ({self.change.kind})\n    - {self.change.before}\n    + {self.change.after}"


class Outcome(NamedTuple):
    """What the tests made of a mutant."""

    mutant: Mutant
    killed: bool
    by: str  #: the first test that failed, or "hangs"


def files_of(area: Area) -> Iterator[Path]:
    for name in area.files:
        yield from sorted((ROOT / name).rglob("*.py"))


def chosen(areas: Iterable[Area], count: int, seed: int) -> list[Mutant]:
    """Return the mutants of a seed: each area has its share of them, each kind of change the same chance within an area."""
    areas = list(areas)
    whole = sum(area.share for area in areas)
    picked = []
    for area in areas:
        rng = random.Random(f"{seed}/{area.name}")
        pools: dict[str, list[tuple[Path, Site]]] = collections.defaultdict(list)
        for path in files_of(area):
            for site in sites_of(path.read_text(encoding="utf-8")):
                pools[site.kind].append((path, site))
        for pool in pools.values():
            rng.shuffle(pool)
        lines: set[tuple[str, int]] = set()  # one change a line: a second one says little more
        wanted = max(1, round(count * area.share / whole))
        while wanted and any(pools.values()):
            path, site = pools[rng.choice([kind for kind in sorted(pools) if pools[kind]])].pop()
            change = make_change(path.read_text(encoding="utf-8"), site)
            if change is not None and (str(path), change.line) not in lines:
                lines.add((str(path), change.line))
                picked.append(Mutant(area, str(path.relative_to(ROOT)), change))
                wanted -= 1
    return picked


class Tree:
    """A copy of the project in which one mutant at a time is tried."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__", "node_modules", "_build"))
            elif source.exists():
                shutil.copy2(source, folder / name)
        # Compiled files are checked by content: a change within a second of the last one must not run the old code.
        command = [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "decoders", "cli", "tests"]
        subprocess.run(command, cwd=folder, check=False, stdout=subprocess.DEVNULL)

    def run(self, tests: Iterable[str], timeout_s: float | None, tolerant: bool = False) -> str:
        """Run tests until one fails; return "" when all pass, else which failed, "hangs", or the end of what was printed.

        tolerant: tests that are not there say nothing; a dropped entry of a table may have had a test of its own.
        """
        options = ("-x", "-q", "--no-header", "-p", "no:cacheprovider", "-p", "no:xdist", "--hypothesis-seed=0", "-rfE", "--tb=no")
        environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
        command = [sys.executable, "-m", "pytest", *options, *tests]
        with subprocess.Popen(
            command, cwd=self.folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        ) as process:
            try:
                text, _ = process.communicate(timeout=timeout_s)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, 9)  # the group that was started here: a test may have children
                process.communicate()
                return "hangs"
        if process.returncode == 0 or (process.returncode in NOT_RUN and tolerant):
            return ""
        if process.returncode in NOT_RUN:
            sys.exit(f"the tests could not be run: {text.strip()[-500:]}")
        failed = [line for line in text.splitlines() if line.startswith(("FAILED", "ERROR"))]
        return (failed[0] if failed else text.strip()[-200:]).partition(" - ")[0]

    def try_mutant(self, mutant: Mutant, timeout_s: float, first: list[str], quick: bool) -> Outcome:
        path = self.folder / mutant.path
        whole = path.read_text(encoding="utf-8")
        try:
            path.write_text(mutant.change.apply(whole), encoding="utf-8")
            by = self.run(first, timeout_s, tolerant=True) if first else ""
            by = by or ("" if quick and first else self.run(mutant.area.tests, timeout_s))
        finally:
            path.write_text(whole, encoding="utf-8")
        return Outcome(mutant, bool(by), by)


def baseline(trees: list[Tree], areas: list[Area]) -> dict[str, float]:
    """Return how long each area's tests take on the code as it is. Exits where they fail: no change could be told by them."""
    took: dict[str, float] = {}
    free = _offered(trees)

    def one(area: Area) -> str:
        tree = free.get()
        try:
            started = time.monotonic()
            failed = tree.run(area.tests, None)
            took[area.name] = time.monotonic() - started
        finally:
            free.put(tree)
        print(f"{area.name}: unchanged in {took[area.name]:.0f} s {failed}", flush=True)
        return failed

    with concurrent.futures.ThreadPoolExecutor(len(trees)) as pool:
        if any(list(pool.map(one, areas))):
            sys.exit("tests fail without any change: mend them first, or leave their area out with --area")
    return took


def _offered(trees: Iterable[Tree]) -> queue.Queue[Tree]:
    free: queue.Queue[Tree] = queue.Queue()
    for tree in trees:
        free.put(tree)
    return free


def load_accepted() -> dict[tuple[str, str, str], str]:
    if not ACCEPTED.exists():
        return {}
    rows = tomllib.loads(ACCEPTED.read_text(encoding="utf-8")).get("mutant", [])
    return {(row["path"], row["before"], row["after"]): row["reason"] for row in rows}


def killed_before(journal: Path | None) -> set[tuple[str, str, str]]:
    """Return the mutants that a run with this journal has already seen killed."""
    if journal is None or not journal.exists():
        return set()
    rows = [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]
    return {(row["path"], row["before"], row["after"]) for row in rows if row["killed"]}


def try_all(
    mutants: list[Mutant], took: dict[str, float], trees: list[Tree], journal: Path | None, nearest: Nearest | None, quick: bool
) -> Iterator[Outcome]:
    """Yield what became of the mutants, as it becomes known."""
    free = _offered(trees)

    def one(mutant: Mutant) -> Outcome:
        tree = free.get()
        first = nearest.tests_of(mutant.path, mutant.change.line) if nearest is not None else []
        try:
            return tree.try_mutant(mutant, max(SHORTEST_TIMEOUT_S, SLOWER * took[mutant.area.name]), first, quick)
        finally:
            free.put(tree)

    with concurrent.futures.ThreadPoolExecutor(len(trees)) as pool:
        for future in concurrent.futures.as_completed([pool.submit(one, mutant) for mutant in mutants]):
            outcome = future.result()
            if journal is not None:
                row = dict(zip(("path", "before", "after"), outcome.mutant.key, strict=True), killed=outcome.killed, by=outcome.by)
                with journal.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(row) + "\n")
            yield outcome


def report(outcomes: list[Outcome], killed_already: int) -> int:
    """Print the survivors and the sum; return how many have no reason."""
    accepted = load_accepted()
    survivors = [outcome.mutant for outcome in outcomes if not outcome.killed]
    unexplained = [mutant for mutant in survivors if mutant.key not in accepted]
    for mutant in survivors:
        print(f"\nsurvives: {mutant}\n    {accepted.get(mutant.key, 'NO REASON: a test is missing')}")
    total = len(outcomes) + killed_already
    killed = total - len(survivors)
    print(f"\n{killed} of {total} killed ({killed / total:.1%}); {len(survivors)} survive, {len(unexplained)} of them without a reason")
    by_area: dict[str, list[bool]] = collections.defaultdict(list)
    for outcome in outcomes:
        by_area[outcome.mutant.area.name].append(outcome.killed)
    for name, results in by_area.items():
        print(f"    {name}: {sum(results)} of {len(results)}")
    return len(unexplained)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=220)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--area", action="append", choices=[area.name for area in AREAS], help="only this area")
    parser.add_argument("--journal", type=Path, help="keep outcomes there; what was killed in an earlier run is not tried again")
    parser.add_argument("--known-good", type=float, metavar="SECONDS", help="do not run the unchanged tests: they pass in so many seconds")
    parser.add_argument("--nearest", type=Path, nargs=2, metavar=("COVERAGE_FILE", "JUNIT_FILE"), help="first the tests that run the line")
    parser.add_argument("--quick", action="store_true", help="with --nearest: what survives these is not tried further")
    parser.add_argument("--list", action="store_true", help="print the mutants and stop")
    args = parser.parse_args()
    areas = [area for area in AREAS if not args.area or area.name in args.area]
    mutants = chosen(AREAS, args.count, args.seed)
    mutants = [mutant for mutant in mutants if mutant.area in areas]
    done = killed_before(args.journal)
    waiting = [mutant for mutant in mutants if mutant.key not in done]
    random.Random(args.seed).shuffle(waiting)  # a run that is broken off has seen something of every area
    if args.list:
        print("\n".join(map(str, waiting)))
        return 0
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        trees = [Tree(Path(folder) / str(index)) for index in range(max(1, args.jobs))]
        wanted = [area for area in areas if any(mutant.area == area for mutant in waiting)]
        took = dict.fromkeys((area.name for area in wanted), args.known_good) if args.known_good else baseline(trees, wanted)
        outcomes = []
        nearest = Nearest(ROOT, *args.nearest) if args.nearest else None
        for outcome in try_all(waiting, took, trees, args.journal, nearest, args.quick):
            outcomes.append(outcome)
            said = f"killed by {outcome.by}" if outcome.killed else "SURVIVES"
            print(f"{len(outcomes)}/{len(waiting)} {outcome.mutant.area.name} {said}: {outcome.mutant}", flush=True)
    return 1 if report(outcomes, len(mutants) - len(waiting)) else 0


if __name__ == "__main__":
    sys.exit(main())
