"""JSON Schemas (draft 2020-12) of everything that strobewise writes as JSON: one file each, named after the format."""

from __future__ import annotations

import json
from importlib.resources import files

#: Name of the schema file -> the output that it describes.
SCHEMAS = {
    "diagnosis": "strobewise diagnose --json",
    "lines": "strobewise lines --json",
    "cycle": "one line of strobewise cycles --format jsonl",
    "comparison": "strobewise compare --json",
    "case": "strobewise case show --json; its $defs hold the step of case next --json",
    "proof": "strobewise prove --json",
    "hookup": "strobewise hookup --json",
    "survey": "strobewise survey --json",
    "watch-record": "one line of strobewise watch --log",
}


def load_schema(name: str) -> dict[str, object]:
    """Return one of SCHEMAS as plain data. Raises KeyError for another name."""
    if name not in SCHEMAS:
        raise KeyError(name)
    schema: dict[str, object] = json.loads(files(__name__).joinpath(f"{name}.json").read_text(encoding="utf-8"))
    return schema
