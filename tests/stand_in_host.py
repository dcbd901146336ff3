"""A stand-in for the capture host's command line that plays recorded captures, one after the other, as a device's records.

The folder in STAND_IN holds them as 1.vcd, 2.vcd ...; the last one is played again and again. What it prints, and how its options are
written, is what the real host prints and takes (sigrok-cli 0.7.2, tried with its demo device); the list of rates is from memory.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

SCRIPT = '#!/bin/sh\nexec "{python}" "{file}" "$@"\n'
SHOW = """bench:conn=1.7 - Bench analyser with 8 channels: D0 D1 D2 D3 D4 D5 D6 D7
Channel groups:
    Logic: channels D0 D1 D2 D3 D4 D5 D6 D7
Supported configuration options across all channel groups:
    limit_samples: 0 (current)
    samplerate - supported samplerates:
      1 MHz
      12 MHz
      24 MHz (current)
    Supported triggers: 0 1 r f e
"""


def furnish(folder: Path, captures: list[str]) -> dict[str, str]:
    """Put the stand-in and its captures into a folder; return the environment in which it is found."""
    tools = folder / "tools"
    tools.mkdir()
    script = tools / "sigrok-cli"
    script.write_text(SCRIPT.format(python=sys.executable, file=__file__))
    script.chmod(0o755)
    for number, text in enumerate(captures, 1):
        (tools / f"{number}.vcd").write_text(text)
    return {"PATH": f"{tools}{os.pathsep}{os.environ['PATH']}", "STAND_IN": str(tools)}


def main(arguments: list[str]) -> int:
    if "--scan" in arguments:
        print("The following devices were found:\ndemo - Demo device with 9 channels: D0 D1 D2 D3 D4 D5 D6 D7 A0")
        for number in range(int(os.environ.get("DEVICES", "1"))):
            print(f"bench:conn=1.{7 + number} - Bench analyser with 8 channels: D0 D1 D2 D3 D4 D5 D6 D7")
        return 0
    if "--show" in arguments:
        print(SHOW, end="")
        return 0
    folder = Path(os.environ["STAND_IN"])
    with (folder / "asked").open("a") as file:
        file.write("\t".join(arguments) + "\n")
    played = len((folder / "asked").read_text().splitlines())
    captures = sorted(folder.glob("*.vcd"), key=lambda path: int(path.stem))
    if not captures:
        print("Failed to open device.", file=sys.stderr)
        return 1
    target = arguments[arguments.index("-o") + 1]
    Path(target).write_bytes(captures[min(played, len(captures)) - 1].read_bytes())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
