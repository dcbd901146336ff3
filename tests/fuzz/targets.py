"""What is fuzzed: each target takes bytes and lets nothing but the program's own errors pass.

Run one with atheris, outside CI (it finds the corpus by itself, and keeps there what reaches new code):

    python tests/fuzz/targets.py capture -max_total_time=300
    python tests/fuzz/targets.py profile -max_total_time=300
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

CORPUS = Path(__file__).resolve().parent / "corpus"
_FOLDER = Path(tempfile.mkdtemp(prefix="strobewise-fuzz-"))


def _file(name: str, data: bytes) -> str:
    path = _FOLDER / name
    path.write_bytes(data)
    return str(path)


def capture(data: bytes) -> None:
    """Read a capture to its end, find its lines, rebuild its cycles, judge it."""
    from strobewise.diagnosis.facade import diagnose
    from strobewise.errors import StrobewiseError

    try:
        diagnose([_file("fuzzed.vcd", data)])
    except StrobewiseError as error:
        _check(error)


def reader(data: bytes) -> None:
    """Read a capture in blocks of 64 bytes and in one: both give the same rows, or the same error."""
    from strobewise.capture.records import BitAssignment
    from strobewise.capture.vcd.reader import VcdCapture
    from strobewise.errors import StrobewiseError

    path = _file("fuzzed.vcd", data)
    told = []
    for size in (64, 1 << 20):
        try:
            with VcdCapture(path, size) as opened:
                codes = {channel.code: channel for channel in opened.header.channels if channel.is_logic}
                bits = [(code, bit) for code, channel in codes.items() for bit in range(min(channel.width, 64))][:64]
                blocks = opened.blocks([BitAssignment(code, bit, target) for target, (code, bit) in enumerate(bits)])
                told.append([row for block in blocks for row in zip(block.times.tolist(), block.words.tolist(), strict=True)])
        except StrobewiseError as error:
            _check(error)
            told.append(str(error))
    assert told[0] == told[1], told


def scope(data: bytes) -> None:
    """Read a scope's CSV."""
    from strobewise.capture import open_capture
    from strobewise.errors import StrobewiseError

    try:
        with open_capture(_file("fuzzed.csv", data)) as opened:
            for _ in opened.blocks(()):
                pass
    except StrobewiseError as error:
        _check(error)


def _toml(name: str, load: Callable[[str], object], data: bytes) -> None:
    from strobewise.errors import StrobewiseError

    try:
        load(_file(name, data))
    except StrobewiseError as error:
        _check(error)


def profile(data: bytes) -> None:
    """Load a machine profile."""
    from strobewise.profile.machine import load_profile

    _toml("fuzzed.toml", load_profile, data)


def scenario(data: bytes) -> None:
    """Load a scenario of the simulated bench."""
    from strobewise.machine.scenario_file import load_scenario

    _toml("fuzzed.toml", load_scenario, data)


def expectations(data: bytes) -> None:
    """Load a file of expectations."""
    from strobewise.expectations import load_expectations

    _toml("fuzzed.expect.toml", load_expectations, data)


def map_file(data: bytes) -> None:
    """Read a map of channels."""
    from strobewise.capture.channels.map_options import read_map_file

    _toml("fuzzed-map.toml", read_map_file, data)


def _check(error: Exception) -> None:
    """Hold an error against the form that all have: one line, not endless."""
    from strobewise_cli.terminal import one_line

    text = one_line(str(error))
    assert text and len(text) < 4000, text[:200]


#: Target -> its corpus.
TARGETS = {
    capture: "capture", reader: "capture", scope: "scope",
    profile: "toml", scenario: "toml", expectations: "toml", map_file: "toml",
}  # fmt: skip


def main() -> None:
    """Fuzz one target with atheris until it is told to stop."""
    import atheris

    name = sys.argv.pop(1)
    target = next(each for each in TARGETS if each.__name__ == name)
    with atheris.instrument_imports(include=["strobewise"]):
        import strobewise.capture
        import strobewise.diagnosis.facade
        import strobewise.expectations
        import strobewise.machine.scenario_file
        import strobewise.profile.machine  # noqa: F401  # loaded here, so that they are instrumented
    atheris.Setup([*sys.argv, str(CORPUS / TARGETS[target])], target)
    atheris.Fuzz()


if __name__ == "__main__":
    root = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(root / "decoders"), str(root / "cli")]
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
