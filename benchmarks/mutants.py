"""Put small wrong changes into the code, one at a time, and see whether the nearest tests notice.

Usage: python benchmarks/mutants.py [--count N] [--seed N] [--again JOURNAL] [--area NAME]... [--only TEXT]... [--jobs N]
           [--journal FILE] [--tests TEST...] [--nearest COVERAGE_FILE JUNIT_FILE [--quick]] [--known-good SECONDS] [--list]

A change is one of: a comparison turned or moved by one, a constant doubled or halved, an entry of a table dropped, a returned
truth value negated, `and` and `or` exchanged, a `not` taken away. Which changes are tried follows from the seed. Each works on a
copy of the tree in a temporary folder; the checkout is never touched. The unit tests that name the changed file's module, and then
those of its area, run until the first failure; a change that no test notices is a survivor. With --nearest those come first that run the
changed line, which spares most of the time (nearest.py says how to make its files); --quick leaves it at these, or
at those that name the module. --only takes the changes whose place or text holds TEXT, and --tests tries them on the tests that are named
and no others. Survivors that cannot be told from the code as it is, or that are accepted for another reason, stand in
mutants_accepted.toml with that reason.

mutants_tried.jsonl is the journal of the last whole trial: --again takes its changes, wherever their lines stand by now, and tries each on
the test that noticed it; what that one misses is tried on the tests of its area, with --quick only where no test had noticed it before:

    python benchmarks/mutants.py --again benchmarks/mutants_tried.jsonl --quick

Why not a library: the two that are well kept, mutmut (3.8) and cosmic-ray (8.7), were looked at. mutmut changes the bodies of
functions only, and the tables and thresholds of this project stand at the level of modules; cosmic-ray replaces a number by its
neighbour, drops no entries, and runs one test command for all, on the checkout itself. Both would run the whole suite too often.
"""

from __future__ import annotations

import argparse
import collections
import concurrent.futures
import functools
import json
import queue
import random
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from mutant_areas import AREAS, SLOW, Area
from mutant_trees import HANGS, ROOT, Key, Mutant, Outcome, Tree
from mutations import Change, changes_of, is_another_program
from nearest import Nearest, naming

ACCEPTED = Path(__file__).with_name("mutants_accepted.toml")
SHORTEST_TIMEOUT_S = 60.0
SLOWER = 4.0  #: a run that takes so many times what the unchanged code took hangs

Rounds = Sequence[Sequence[str]]  #: of tests; the next is run where none of the last has failed


@functools.cache
def changes_in(path: str) -> tuple[str, list[Change]]:
    """Return the text of a file, its path from the root of the tree, and the changes that may be made to it."""
    source = (ROOT / path).read_text(encoding="utf-8")
    return source, changes_of(source)


def files_of(area: Area) -> Iterator[str]:
    for name in area.files:
        yield from sorted(path.relative_to(ROOT).as_posix() for path in (ROOT / name).rglob("*.py"))


def chosen(count: int, seed: int) -> list[Mutant]:
    """Return the mutants of a seed: each area has its share of them, each kind of change the same chance within an area."""
    whole = sum(area.share for area in AREAS)
    picked = []
    for area in AREAS:
        rng = random.Random(f"{seed}/{area.name}")
        pools: dict[str, list[Mutant]] = collections.defaultdict(list)
        for path in files_of(area):
            for change in changes_in(path)[1]:
                pools[change.kind].append(Mutant(area, path, change))
        for pool in pools.values():
            rng.shuffle(pool)
        lines: set[tuple[str, int]] = set()  # one change a line: a second one says little more
        wanted = max(1, round(count * area.share / whole))
        while wanted and any(pools.values()):
            mutant = pools[rng.choice([kind for kind in sorted(pools) if pools[kind]])].pop()
            line = mutant.path, mutant.change.line
            if line not in lines and is_another_program(changes_in(mutant.path)[0], mutant.change):
                lines.add(line)
                picked.append(mutant)
                wanted -= 1
    return picked


def read_journal(path: Path | None) -> dict[Key, str]:
    """Return what a journal says last of each mutant: the test that noticed it, "" where none did."""
    if path is None or not path.exists():
        return {}
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return {(row["path"], row["where"], row["before"], row["after"]): row["by"] for row in rows}


def of_journal(keys: Iterable[Key]) -> list[Mutant]:
    """Return the mutants of a journal where they stand now; those whose lines are gone are left out."""
    areas = {path: area for area in AREAS for path in files_of(area)}
    wanted = {key for key in keys if key[0] in areas}
    all_now = (Mutant(areas[path], path, change) for path in sorted({key[0] for key in wanted}) for change in changes_in(path)[1])
    return [mutant for mutant in all_now if mutant.key in wanted]


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


def check_noticing(tree: Tree, tests: Iterable[str]) -> float:
    """Run on the code as it is the tests that once noticed a change; return how long they take. Exits where one fails."""
    wanted = set(tests)
    there = tree.there(wanted)
    started = time.monotonic()
    failed = tree.run(there, None)
    if failed:
        sys.exit(f"{failed} fails without any change: mend it first")
    took = time.monotonic() - started
    print(f"{len(there)} of {len(wanted)} tests that noticed a change are there, and pass on the code as it is in {took:.0f} s", flush=True)
    return took


def _offered(trees: Iterable[Tree]) -> queue.Queue[Tree]:
    free: queue.Queue[Tree] = queue.Queue()
    for tree in trees:
        free.put(tree)
    return free


def load_accepted() -> dict[Key, str]:
    """Return the reasons of those that may live on."""
    rows = tomllib.loads(ACCEPTED.read_text(encoding="utf-8")).get("mutant", [])
    return {(row["path"], row["where"], row["before"], row["after"]): row["reason"] for row in rows}


def rounds_of(args: argparse.Namespace, noticed: dict[Key, str]) -> Callable[[Mutant], Rounds]:
    """Return what says on which tests a mutant is tried: first those that are likely to notice it."""
    nearest = Nearest(ROOT, *args.nearest) if args.nearest else None

    def of(mutant: Mutant) -> Rounds:
        if args.tests:
            return (args.tests,)
        by = noticed.get(mutant.key, "")
        first = [by] if by not in ("", HANGS) else nearest.tests_of(mutant.path, mutant.change.line) if nearest else []
        named = [test for test in naming(ROOT, mutant.path) if test not in SLOW]
        if args.quick and (first or named):
            return (first or named,)
        return (first, named, [test for test in mutant.area.tests if test not in named])

    return of


def try_all(
    mutants: list[Mutant], rounds: Callable[[Mutant], Rounds], took: dict[str, float], trees: list[Tree], journal: Path | None
) -> Iterator[Outcome]:
    """Yield what became of the mutants, as it becomes known."""
    free = _offered(trees)

    def one(mutant: Mutant) -> Outcome:
        tree = free.get()
        try:
            return tree.try_mutant(mutant, max(SHORTEST_TIMEOUT_S, SLOWER * took[mutant.area.name]), *rounds(mutant))
        finally:
            free.put(tree)

    with concurrent.futures.ThreadPoolExecutor(len(trees)) as pool:
        for future in concurrent.futures.as_completed([pool.submit(one, mutant) for mutant in mutants]):
            outcome = future.result()
            if journal is not None:
                row = dict(zip(("path", "where", "before", "after"), outcome.mutant.key, strict=True), by=outcome.by)
                with journal.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(row) + "\n")
            yield outcome


def report(outcomes: list[Outcome], killed_already: int, gone: int) -> int:
    """Print the survivors and the sum; return how many have no reason."""
    accepted = load_accepted()
    survivors = [outcome.mutant for outcome in outcomes if not outcome.by]
    unexplained = [mutant for mutant in survivors if mutant.key not in accepted]
    for mutant in survivors:
        print(f"\nsurvives: {mutant}\n    {accepted.get(mutant.key, 'NO REASON: a test is missing')}")
    total = len(outcomes) + killed_already
    killed = total - len(survivors)
    share = killed / max(1, total)
    print(f"\n{killed} of {total} killed ({share:.1%}); {len(survivors)} survive, {len(unexplained)} of them without a reason")
    if gone:
        print(f"{gone} more stood in lines that are gone")
    by_area: dict[str, list[bool]] = collections.defaultdict(list)
    for outcome in outcomes:
        by_area[outcome.mutant.area.name].append(bool(outcome.by))
    for name, results in sorted(by_area.items()):
        print(f"    {name}: {sum(results)} of {len(results)}")
    return len(unexplained)


def parse_arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=220)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--again", type=Path, metavar="JOURNAL", help="the changes of this journal, not those of a seed")
    parser.add_argument("--area", action="append", choices=[area.name for area in AREAS], help="only this area")
    parser.add_argument("--only", action="append", metavar="TEXT", help="only changes whose place or text holds this")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--journal", type=Path, help="keep outcomes there; what was killed in an earlier run is not tried again")
    parser.add_argument("--tests", nargs="+", metavar="TEST", help="try the changes on these tests alone")
    parser.add_argument("--nearest", type=Path, nargs=2, metavar=("COVERAGE_FILE", "JUNIT_FILE"), help="first the tests that run the line")
    parser.add_argument("--quick", action="store_true", help="with --nearest or --again: what survives the first tests is tried no further")
    parser.add_argument("--known-good", type=float, metavar="SECONDS", help="do not run the unchanged tests: they pass in so many seconds")
    parser.add_argument("--list", action="store_true", help="print the mutants and stop")
    return parser.parse_args()


def main() -> int:
    args = parse_arguments()
    noticed = read_journal(args.again)
    everything = of_journal(noticed) if args.again else chosen(args.count, args.seed)
    gone = len(noticed) - len(everything) if args.again else 0
    mutants = [mutant for mutant in everything if not args.area or mutant.area.name in args.area]
    mutants = [mutant for mutant in mutants if not args.only or any(text in str(mutant) for text in args.only)]
    done = {key for key, by in read_journal(args.journal).items() if by}
    waiting = [mutant for mutant in mutants if mutant.key not in done]
    random.Random(args.seed).shuffle(waiting)  # a run that is broken off has seen something of every area
    if args.list:
        print("\n".join(map(str, waiting)))
        return 0
    outcomes = []
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        trees = [Tree(Path(folder) / str(index)) for index in range(max(1, args.jobs))]
        areas = [area for area in AREAS if any(mutant.area == area for mutant in waiting)]
        known = 0.0 if args.tests else args.known_good
        if args.again and args.quick and known is None:
            known = check_noticing(trees[0], (noticed[mutant.key] for mutant in waiting if noticed[mutant.key] not in ("", HANGS)))
        took = baseline(trees, areas) if known is None else dict.fromkeys((area.name for area in areas), known)
        for outcome in try_all(waiting, rounds_of(args, noticed), took, trees, args.journal):
            outcomes.append(outcome)
            said = f"killed by {outcome.by}" if outcome.by else "SURVIVES"
            print(f"{len(outcomes)}/{len(waiting)} {outcome.mutant.area.name} {said}: {outcome.mutant}", flush=True)
    return 1 if report(outcomes, len(mutants) - len(waiting), gone) else 0


if __name__ == "__main__":
    sys.exit(main())
