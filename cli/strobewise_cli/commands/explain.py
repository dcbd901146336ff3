"""``strobewise explain``: what a rule looks for, and what stands in a machine profile."""

from __future__ import annotations

import argparse
import difflib
import sys

from strobewise.errors import UsageError
from strobewise_cli.commands.options import Subparsers

_EPILOG = """\
examples:
  strobewise explain                         the catalogue of rules
  strobewise explain fetch-strobe-missing    one rule: what it needs, what it looks like, what to measure
  strobewise explain rom16-ram48 > my.toml   a machine profile to start from, with every key explained

The pictures are drawn from the simulated machine at the moment of asking.
"""


def run(args: argparse.Namespace) -> int:
    """Print one rule, or all of them in one line each; or a generic machine profile."""
    from strobewise.profile.machine import shipped_profiles
    from strobewise.rules import CATALOGUE, find_rule
    from strobewise_cli.render.explain_text import print_catalogue, print_rule

    if args.rule is None:
        print_catalogue(CATALOGUE, sys.stdout)
        return 0
    name = args.rule.strip().lower()
    profile = shipped_profiles().get(name)
    if profile is not None:
        sys.stdout.write(profile.read_text(encoding="utf-8"))
        return 0
    rule = find_rule(name)
    if rule is None:
        near = difflib.get_close_matches(args.rule, [*(each.id for each in CATALOGUE), *shipped_profiles()], 3, 0.5)
        hint = f"perhaps {' or '.join(near)}; " if near else ""
        raise UsageError(f"no rule is called {args.rule!r}", "RULE", f"{hint}strobewise explain lists them")
    print_rule(rule, sys.stdout)
    return 0


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "explain",
        help="say what a rule looks for, with a picture of it",
        description="Say what a rule looks for, how it looks on the bus, and what to measure.",
        epilog=_EPILOG,
    )
    parser.add_argument(
        "rule", metavar="RULE", nargs="?",
        help="name of a rule, as a report gives it, or of a generic profile; all rules are listed without",
    )  # fmt: skip
    parser.set_defaults(run=run)
    return parser
