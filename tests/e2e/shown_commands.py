"""What a page of documentation shows: its command lines, the outputs that stand in it, and a place where they run."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from conftest import ROOT

FINE = (0, 1, 3)  # no fault found, fault found or captures differ, cannot decide


def code_lines(text: str) -> list[str]:
    """Return the lines of all blocks marked as shell, comments left out."""
    blocks = re.findall(r"^```sh\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    return [line for block in blocks for line in block.splitlines() if line.strip() and not line.startswith("#")]


def shown(text: str) -> list[tuple[str, str]]:
    """Return the outputs that a page shows: (command, excerpt)."""
    return re.findall(r"<!-- output: (.*?) -->\n```text\n(.*?)```", text, flags=re.DOTALL)


def furnish(folder: Path) -> Path:
    """Put the demo captures, and ``strobewise`` for the path, into a folder; return it."""
    (folder / "traces").symlink_to(ROOT / "traces")
    tools = folder / "bin"
    tools.mkdir()
    script = tools / "strobewise"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m strobewise_cli "$@"\n')
    script.chmod(0o755)
    return folder


def run(line: str, workplace: Path) -> subprocess.CompletedProcess[str]:
    """Run a command line as a reader would, in a furnished folder."""
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")]),
        "PATH": f"{workplace / 'bin'}{os.pathsep}{os.environ['PATH']}",
        "HOME": str(workplace),
        "COLUMNS": "80",
    }
    return subprocess.run(["bash", "-c", line], cwd=workplace, env=environment, capture_output=True, text=True, check=False, timeout=200)
