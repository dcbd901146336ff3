"""The plain core on the oldest Python that it is made for: 3.9, as Debian's pypy3 speaks it, with numpy out of reach.

The simulated bench (`machine`) reads TOML by 3.11's own library and runs in no host, so it is left out.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import pytest
from fake_host import pins_of

from conftest import ROOT, TRACES, require_component
from strobewise.bus.lines import BIT
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels

ROOMS = ("errors", "bus", "records", "cpu", "program", "stream", "rules", "verdict")
FOLDERS = [str(ROOT / "decoders" / "host"), str(ROOT / "decoders"), str(ROOT / "tests" / "host")]


@pytest.fixture(scope="module")
def old_python():
    found = shutil.which("pypy3") or shutil.which("python3.9")
    require_component("an older Python", found, "apt-get install pypy3")
    return found


def changes_of(path):
    """Return what a decoder sees of a capture, as plugin_stack.py takes it."""
    changes, end, zero = [], 0, None
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        captured = frozenset(name for name in channels.channels if name in BIT)
        for block in capture.blocks(channels.assignments):
            for time, word in zip(block.times.tolist(), block.words.tolist(), strict=True):
                zero = time if zero is None else zero
                end = time - zero
                changes.append([end, list(pins_of(word, captured))])
        rate = round(1e15 / capture.header.timescale_fs)
    return json.dumps({"folders": FOLDERS, "rate": rate, "end": end + 1, "changes": changes})


def rows(python, text):
    script = str(ROOT / "tests" / "host" / "plugin_stack.py")
    done = subprocess.run([python, script], input=text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def test_every_module_of_the_core_loads(old_python):
    engine = ROOT / "decoders" / "strobewise"
    files = [path for room in ROOMS for path in (*engine.glob(f"{room}.py"), *sorted((engine / room).rglob("*.py")))]
    names = [".".join(path.relative_to(engine.parent).with_suffix("").parts).removesuffix(".__init__") for path in files]
    assert len(names) > 60
    code = f"import sys, importlib; sys.path.insert(0, {FOLDERS[1]!r}); sys.modules['numpy'] = None\n"
    code += f"for name in {names!r}: importlib.import_module(name)"
    done = subprocess.run([old_python, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", ["healthy-full", "m1-dead-full", "rom-absent"])
def test_the_plug_ins_show_the_same_as_on_this_python(name, old_python):
    path = next(path for path in sorted(TRACES.rglob("*.vcd*")) if path.name.startswith(name + "."))
    text = changes_of(path)
    here = rows(sys.executable, text)
    assert len(here) > 500
    assert any("strobewise_instructions" in row for row in here)
    assert "m1-dead" not in path.name or any("strobewise_faults" in row and "M1" in row for row in here)
    assert rows(old_python, text) == here
