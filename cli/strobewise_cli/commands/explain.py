"""``strobewise explain``: what a rule looks for."""

from __future__ import annotations

import argparse
import difflib
import sys
from typing import Any

from strobewise.errors import UsageError

_EPILOG = """\
examples:
  strobewise explain                         the catalogue of rules
  strobewise explain fetch-strobe-missing    one rule: what it needs, what it looks like, what to measure

The pictures are drawn from the simulated machine at the moment of asking.
"""


def run(args: argparse.Namespace) -> int:
    """Print one rule, or all of them in one line each."""
    from strobewise.rules import CATALOGUE, find_rule
    from strobewise_cli.render.explain_text import print_catalogue, print_rule

    if args.rule is None:
        print_catalogue(CATALOGUE, sys.stdout)
        return 0
    rule = find_rule(args.rule.strip().lower())
    if rule is None:
        near = difflib.get_close_matches(args.rule, [each.id for each in CATALOGUE], 3, 0.5)
        hint = f"perhaps {' or '.join(near)}; " if near else ""
        raise UsageError(f"no rule is called {args.rule!r}", "RULE", f"{hint}strobewise explain lists them")
    print_rule(rule, sys.stdout)
    return 0


def add_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "explain",
        help="say what a rule looks for, with a picture of it",
        description="Say what a rule looks for, how it looks on the bus, and what to measure.",
        epilog=_EPILOG,
    )
    parser.add_argument("rule", metavar="RULE", nargs="?", help="name of a rule, as a report gives it; all are listed without")
    parser.set_defaults(run=run)
    return parser
