"""Makes host-window.png: the capture host's window with the rows of our plug-ins under a demo capture.

Usage: python docs/pictures/host_window.py [-o FILE.png]

Needs pulseview without its bundled decoders, Xvfb, xdotool and ImageMagick; on Debian:

    apt-get install -y --no-install-recommends -o Dpkg::Options::="--path-exclude=/usr/share/libsigrokdecode/decoders/*" \\
        pulseview libqt5svg5 xvfb xdotool imagemagick

Nobody clicks: a session file, written here, attaches the decoders and maps their channels by name. The capture is the demo machine whose
expansion device is never asked since /M1 is dead; the buses are put first in it, so that the strobes stand next to the rows.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "decoders"))

from strobewise.stream.pins import CHANNELS

ROOT = Path(__file__).resolve().parents[2]
TRACE = ROOT / "traces" / "faults" / "paging-not-triggered" / "lodger-m1-dead.vcd.gz"
SHOWN_LAST = ("CLK", "ROMDIS", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
OPTIONS = {"triggers": "0x0058 0x01d4 0x0066", "within": 3, "released_by": "0x2f40-0x2f4f"}
DISPLAY = ":97"
SIZE = (1180, 2600)
ZOOM_STEPS, ZOOM_AT = 11, (789, 400)  # the trigger, where the window fits the capture in as it comes up
RULER, ROWS = "1164x34+0+90", "1164x554+0+1650"  #: the parts of the window that are kept
TOOLS = ("pulseview", "Xvfb", "xdotool", "import", "convert")


def prepared(folder: Path) -> tuple[Path, list[str]]:
    """Write the capture as the host reads it well, its channels in the order that suits the picture; return their names."""
    path = folder / "demo.vcd"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join((str(ROOT / "decoders"), str(ROOT / "cli")))}
    subprocess.run([sys.executable, "-m", "strobewise_cli", "prepare", str(TRACE), "-o", str(path)], check=True, env=environment)
    lines = path.read_text().splitlines(keepends=True)
    declared = {line.split()[4]: line for line in lines if line.startswith("$var")}
    order = [name for name in declared if name not in SHOWN_LAST] + [name for name in SHOWN_LAST if name in declared]
    first = next(place for place, line in enumerate(lines) if line.startswith("$var"))
    lines[first : first + len(declared)] = [declared[name] for name in order]
    path.write_text("".join(lines))
    return path, order


def session(path: Path, names: list[str]) -> Path:
    """Write the session file."""
    settings = ["[General]", "decode_signals=1", "meta_objs=0", "views=0", "", "[decode_signal0]", "name=Z80", "enabled=true"]
    settings += ["color=4281510450", "conversion_type=0", "conv_options=0", "decoders=3"]
    for place, name in enumerate(("strobewise_cycles", "strobewise_instructions", "strobewise_faults")):
        settings += [f"decoder{place}\\id={name}", f"decoder{place}\\visible=true"]
        options = OPTIONS if name == "strobewise_faults" else {}
        settings.append(f"decoder{place}\\options={len(options)}")
        for number, (key, value) in enumerate(options.items()):
            settings += [f"decoder{place}\\option{number}\\name={key}", f"decoder{place}\\option{number}\\type={kind_of(value)}"]
            settings.append(f"decoder{place}\\option{number}\\value={bytes_of(value)}")
    mapped = [name for name in CHANNELS if name in names]
    settings.append(f"channels={len(mapped)}")
    for place, name in enumerate(mapped):
        settings += [f"channel{place}\\name={name}", f"channel{place}\\assigned_signal_name={name}", f"channel{place}\\initial_pin_state=2"]
    path.write_text("\n".join(settings) + "\n")
    return path


def kind_of(value: object) -> str:
    """Return the type that the host stores an option with."""
    return "x" if isinstance(value, int) else "s"


def bytes_of(value: object) -> str:
    """Return an option's value as the session file spells bytes."""
    raw = value.to_bytes(8, "little") if isinstance(value, int) else f"{value}\0".encode()
    return "@ByteArray(" + "".join(chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:x}" if byte else "\\0" for byte in raw) + ")"


def photograph(folder: Path, capture: Path, settings: Path, target: Path) -> None:
    """Open the capture in the host's window on a screen of its own, zoom in, and keep the part that matters."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "SIGROK", "PYTHON"))}
    environment |= {"DISPLAY": DISPLAY, "SIGROKDECODE_DIR": str(ROOT / "decoders" / "host"), "HOME": str(folder)}
    environment["PYTHONDONTWRITEBYTECODE"] = "1"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    screen = subprocess.Popen(["Xvfb", DISPLAY, "-screen", "0", f"{SIZE[0]}x{SIZE[1]}x24"], **quiet)
    window = None
    try:
        time.sleep(2)
        window = subprocess.Popen(
            ["pulseview", "-c", "-D", "-i", str(capture), "-I", "vcd", "-s", str(settings)],
            env=environment, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        time.sleep(8)

        def run(*words: str) -> str:
            return subprocess.run(words, env=environment, check=True, capture_output=True, text=True).stdout

        found = run("xdotool", "search", "--onlyvisible", "--name", "PulseView").split()
        for each in found:
            run("xdotool", "windowmove", each, "0", "0", "windowsize", each, str(SIZE[0]), str(SIZE[1]))
        time.sleep(2)
        run("xdotool", "mousemove", *map(str, ZOOM_AT))
        run("xdotool", "click", "--repeat", str(ZOOM_STEPS), "--delay", "120", "4")
        time.sleep(3)
        run("import", "-window", "root", str(folder / "whole.png"))
    finally:
        if window is not None:
            window.terminate()
            said = window.communicate()[1]
            if re.search(r"^(srd|sr):", said, flags=re.MULTILINE):
                print(said, file=sys.stderr)
        screen.terminate()
        screen.wait()
    kept = [word for part in (RULER, ROWS) for word in ("(", str(folder / "whole.png"), "-crop", part, "+repage", ")")]
    subprocess.run(["convert", *kept, "-append", "-strip", "+dither", "-colors", "128", str(target)], check=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("-o", "--output", type=Path, default=Path(__file__).with_name("host-window.png"))
    options = parser.parse_args()
    missing = [tool for tool in TOOLS if shutil.which(tool) is None]
    if missing:
        sys.exit(f"{', '.join(missing)}: not here; see the top of this file")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        capture, names = prepared(folder)
        photograph(folder, capture, session(folder / "demo.pvs", names), options.output)
        if os.environ.get("KEEP_WHOLE"):
            shutil.copy(folder / "whole.png", os.environ["KEEP_WHOLE"])


if __name__ == "__main__":
    main()
