"""Writes the reference pages from the code: commands, rules, faults of the simulated bench, JSON schemas.

Usage: python docs/generate_reference.py [FOLDER]
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "decoders"), str(ROOT / "cli")]

from strobewise.bus.lines import ADDRESS, DATA, LINES, SUPPLY_PINS, bar  # noqa: E402
from strobewise.machine import FAULTS  # noqa: E402
from strobewise.rules import CATALOGUE  # noqa: E402
from strobewise_cli.main import COMMANDS, build_parser  # noqa: E402
from strobewise_cli.render.explain_text import drawings, facts  # noqa: E402
from strobewise_cli.render.phrases import sentence  # noqa: E402

INTRODUCTION = "This page is generated from the code.\n"


def commands() -> str:
    """Return the help of every command."""
    os.environ["COLUMNS"] = "88"
    parts = ["# Commands", INTRODUCTION, block(build_parser().format_help())]
    subparsers = next(action for action in build_parser()._actions if action.dest == "command")
    assert isinstance(subparsers.choices, dict)
    assert len(subparsers.choices) == len(COMMANDS)
    for name, parser in subparsers.choices.items():
        parts += [f"## {name}", block(parser.format_help())]
    return "\n\n".join(parts) + "\n"


def lines_text(lines: tuple[str, ...]) -> str:
    """Return "/MREQ + A0-A15 + D0-D7"."""
    buses = {"A0-A15": ADDRESS, "D0-D7": DATA}
    whole = [text for text, bus in buses.items() if set(bus) <= set(lines)]
    rest = [bar(line) for line in lines if not any(line in buses[text] for text in whole)]
    return " + ".join(rest + whole)


def rule_table() -> str:
    """Return the catalogue of rules as a table, in its own order."""
    rows = ["| rule | looks for | needs one of |", "|---|---|---|"]
    for rule in CATALOGUE:
        needs = "; ".join(dict.fromkeys(lines_text(lines) for lines in rule.needs)) or "any line"
        rows.append(f"| [`{rule.id}`](#{rule.id}) | {plain(rule.looks_for)} | {needs} |")
    return "\n".join(rows)


def rules() -> str:
    """Return the catalogue of rules: the table of all, then each with its facts and its pictures."""
    parts = ["# Rules", INTRODUCTION, rule_table(), "The pictures come from the simulated bench; `strobewise explain RULE` shows the same."]
    for rule in sorted(CATALOGUE, key=lambda rule: rule.id):
        parts.append(f"## {rule.id}")
        parts.append(f"**{rule.title}** ({rule.severity})")
        parts.append("\n".join(f"- {heading}: {plain(sentence(text))}" for heading, text in facts(rule)))
        parts += [f"{title}:\n\n{block(chr(10).join(rows))}" if rows else f"{title}." for title, rows in drawings(rule)]
    return "\n\n".join(parts) + "\n"


def faults() -> str:
    """Return the faults that the simulated bench knows."""
    parts = ["# Faults of the simulated bench", INTRODUCTION, "`strobewise simulate --fault KIND:PARAMETER=VALUE` puts them in."]
    for kind in FAULTS.values():
        parts.append(f"## {kind.name}")
        parts.append(plain(" ".join(kind.explanation.split())))
        defaults = ["needed" if p.default is None else plain(repr(p.default)) for p in kind.parameters]
        rows = [f"| `{p.name}` | {plain(p.allowed)} | {text} |" for p, text in zip(kind.parameters, defaults, strict=True)]
        if rows:
            parts.append("\n".join(["| parameter | may be | default |", "|---|---|---|", *rows]))
    return "\n\n".join(parts) + "\n"


def lines() -> str:
    """Return the table of lines and pins."""
    rows = ["| line | pin | direction | meaning |", "|---|---:|---|---|"]
    rows += [f"| {bar(line.name)} | {line.pin or '-'} | {line.direction} | {line.meaning} |" for line in LINES]
    rows += [f"| {name} | {pin} | supply | |" for pin, name in SUPPLY_PINS.items()]
    source = "Names and pins: Zilog Z80 CPU User Manual (UM0080), pin figure of the 40-pin DIP."
    return "\n\n".join(["# Lines and pins", INTRODUCTION, source, "\n".join(rows)]) + "\n"


def schemas() -> str:
    """Return the JSON schemas."""
    folder = ROOT / "cli" / "strobewise_cli" / "schemas"
    parts = ["# JSON schemas", INTRODUCTION]
    for path in sorted(folder.glob("*.json")):
        text = json.dumps(json.loads(path.read_text(encoding="utf-8")), indent=1)
        parts += [f"## {path.stem}", f"```json\n{text}\n```"]
    return "\n\n".join(parts) + "\n"


def block(text: str) -> str:
    """Return text as a block that keeps its form."""
    return f"```text\n{text.rstrip()}\n```"


def plain(text: str) -> str:
    """Return text in which nothing is taken for markup."""
    for char in "\\`*_<>|[]":
        text = text.replace(char, f"\\{char}")
    return text


PAGES: dict[str, Callable[[], str]] = {"commands": commands, "rules": rules, "faults": faults, "lines": lines, "schemas": schemas}


def write(folder: Path) -> None:
    """Write all pages; a page that has not changed keeps its time, so that a build does no work for it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, make in PAGES.items():
        path, text = folder / f"{name}.md", make()
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "reference" / "generated")
