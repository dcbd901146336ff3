"""Writes the tables of README.md that are generated from the code.

Usage: python docs/readme_tables.py [--check]
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "decoders"))

from strobewise.bus.lines import ADDRESS, DATA, bar  # noqa: E402
from strobewise.rules import CATALOGUE  # noqa: E402

BEGIN = "<!-- rules: python docs/readme_tables.py writes this table -->\n"
END = "<!-- end of rules -->"


def lines_text(lines: tuple[str, ...]) -> str:
    """Return "/MREQ + A0-A15 + D0-D7"."""
    buses = {"A0-A15": ADDRESS, "D0-D7": DATA}
    whole = [text for text, bus in buses.items() if set(bus) <= set(lines)]
    rest = [bar(line) for line in lines if not any(line in buses[text] for text in whole)]
    return " + ".join(rest + whole)


def rule_table() -> str:
    """Return the catalogue of rules as Markdown, in its own order."""
    rows = ["| rule | looks for | needs one of |", "|---|---|---|"]
    for rule in CATALOGUE:
        needs = "; ".join(dict.fromkeys(lines_text(lines) for lines in rule.needs)) or "any line"
        rows.append(f"| `{rule.id}` | {rule.looks_for.replace('|', '/')} | {needs} |")
    return "\n".join(rows) + "\n"


def with_tables(text: str) -> str:
    """Return the README's text with its tables as they should be."""
    return re.sub(re.escape(BEGIN) + r".*?" + re.escape(END), lambda _: BEGIN + rule_table() + END, text, flags=re.DOTALL)


def main() -> int:
    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    wanted = with_tables(text)
    if "--check" in sys.argv[1:]:
        return int(text != wanted)
    readme.write_text(wanted, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
