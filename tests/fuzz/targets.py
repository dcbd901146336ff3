"""What is fuzzed: each target takes bytes and lets nothing but the program's own errors pass.

Run one with atheris, outside CI (it finds the corpus by itself, and keeps there what reaches new code):

    python tests/fuzz/targets.py capture -max_total_time=300 -timeout=30
    python tests/fuzz/targets.py profile -max_total_time=300 -timeout=30

No input may take more than SECONDS of processor time or make the process grow by more than MEMORY: each target is held to that by itself.
"""

from __future__ import annotations

import functools
import importlib
import itertools
import os
import resource
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from command_lines import COMMANDS, STATUS, Folder, run_words, words_of

CORPUS = Path(__file__).resolve().parent / "corpus"
_FOLDER = Path(tempfile.mkdtemp(prefix="strobewise-fuzz-"))
_FOLDERS: list[Folder] = []  #: the one of all command lines, once there was one


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


def session(data: bytes) -> None:
    """Read a session file; and the same bytes as the metadata of a sound one."""
    import io
    import zipfile

    from strobewise.capture import open_capture
    from strobewise.errors import StrobewiseError

    around = io.BytesIO()
    with zipfile.ZipFile(around, "w") as archive:
        for name, content in (("version", b"2"), ("metadata", data), ("logic-1-1", bytes(range(200))), ("analog-1-2-1", bytes(200))):
            archive.writestr(name, content)
    for content in (data, around.getvalue()):
        try:
            with open_capture(_file("fuzzed.sr", content)) as opened:
                for _ in opened.blocks(()):
                    pass
        except StrobewiseError as error:
            _check(error)


def raw(data: bytes) -> None:
    """Judge raw samples, of one byte and of two; and what the bytes say of how samples lie."""
    from strobewise.capture.raw.form import parse_raw
    from strobewise.diagnosis.facade import diagnose
    from strobewise.errors import StrobewiseError
    from strobewise.profile.options import Options

    forms = ("24M:MREQ=0,M1=1,RD=2,CLK=3", "8M/16:MREQ=0,M1=1,A0=8,A1=15", data[:60].decode("utf-8", "replace"))
    for form in forms:
        try:
            diagnose([_file("fuzzed.bin", data)], Options(raw=parse_raw(form)))
        except StrobewiseError as error:
            _check(error)


def waves(data: bytes) -> None:
    """Read a waveform file of a simulator."""
    from strobewise.capture import open_capture
    from strobewise.errors import StrobewiseError

    try:
        with open_capture(_file("fuzzed.fst", data)) as opened:
            for _ in opened.blocks(()):
                pass
    except StrobewiseError as error:
        _check(error)


def sheet(data: bytes) -> None:
    """Read the sheet of a case, and say what to do next in it."""
    from strobewise.case.state import judge_case
    from strobewise.case.store import open_case
    from strobewise.errors import StrobewiseError

    (_FOLDER / "case").mkdir(exist_ok=True)
    try:
        judge_case(open_case(Path(_file("case/case.toml", data)).parent))
    except StrobewiseError as error:
        _check(error)
    except FileNotFoundError:
        pass  # a capture that the sheet names


def beside(data: bytes) -> None:
    """Judge a capture with a map beside it."""
    from strobewise.capture.channels.beside import read_beside
    from strobewise.errors import StrobewiseError

    path = _file("mapped.vcd", b"$var wire 1 ! M1 $end $enddefinitions $end\n#0 1!\n")
    _file("mapped.vcd.map.toml", data)
    try:
        read_beside(path)
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


def page(data: bytes) -> None:
    """Judge a capture and write all that is written of it: the page, Markdown, JSON."""
    from strobewise.diagnosis.facade import diagnose
    from strobewise.errors import StrobewiseError
    from strobewise.profile.options import Options
    from strobewise_cli.output import json_text
    from strobewise_cli.render.diagnosis_json import document
    from strobewise_cli.render.html_report import render_page
    from strobewise_cli.render.markdown import render_markdown

    try:
        diagnosis = diagnose([_file("fuzzed.vcd", data)])
    except StrobewiseError as error:
        _check(error)
        return
    for text in (render_page(diagnosis, Options()), render_markdown(diagnosis), json_text(document(diagnosis))):
        assert "\x1b" not in text


def command_line(data: bytes) -> None:
    """Run the command line that the bytes stand for."""
    if not _FOLDERS:
        _FOLDERS.append(Folder())
    folder = _FOLDERS[0]
    folder.fill()
    words = words_of(data)
    status, errors = run_words(folder, words)
    assert status in STATUS, (words, status)
    told = [line for line in errors.splitlines() if line.startswith("strobewise: error: ")]
    assert len(told) == (status == 2) and all(len(line) < 4000 for line in told), (words, status, errors)
    assert not [each for each in folder.path.rglob("*") if each.name.endswith(".part")], words
    for name, content in folder.files.items():
        if name.endswith((".vcd", ".gz", ".csv")) and not _written(words, name):
            assert (folder.path / name).read_bytes() == content, (words, name)


def _written(words: list[str], name: str) -> bool:
    """Tell whether a command line names a file as something to write: it is then none of its inputs, and may be replaced."""
    return any(Path(name).name in word for before, word in itertools.pairwise(words) if before.startswith("-")) or any(
        word.startswith("-") and Path(name).name in word for word in words
    )


def _check(error: Exception) -> None:
    """Hold an error against the form that all have: one line, not endless."""
    from strobewise_cli.terminal import one_line

    text = one_line(str(error))
    assert text and len(text) < 4000, text[:200]


SECONDS = 5.0  #: of processor time that one input may take
MEMORY = 300 << 10  #: KiB by which one input may make the process grow


def held(target: Callable[[bytes], None]) -> Callable[[bytes], None]:
    """Return a target that also fails where it takes too much time or memory, it or a process that it starts.

    An input that never comes to its end is stopped when its time is over.
    """

    @functools.wraps(target)
    def run(data: bytes) -> None:
        own, others = resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN
        began, most = _processor_s(), resource.getrusage(own).ru_maxrss
        before = signal.signal(signal.SIGPROF, _stop)
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        try:
            target(data)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.signal(signal.SIGPROF, before)
        assert _processor_s() - began < SECONDS, "too slow"
        assert max(resource.getrusage(who).ru_maxrss for who in (own, others)) - most < MEMORY, "too large"

    return run


def _processor_s() -> float:
    """Return the processor time of this process and of those that it has started and seen the end of."""
    return sum(os.times()[:4])


def _stop(*_: object) -> None:
    raise AssertionError("too slow: stopped")


#: Target -> its corpus.
TARGETS = {
    held(target): corpus
    for target, corpus in {
        capture: "capture", reader: "capture", page: "capture", scope: "scope", session: "session", raw: "session", waves: "waves",
        command_line: "words", profile: "toml", scenario: "toml", expectations: "toml", map_file: "toml", sheet: "sheet", beside: "toml",
    }.items()
}  # fmt: skip


INSTRUMENTED = (
    "strobewise.capture", "strobewise.diagnosis.facade", "strobewise.expectations", "strobewise.machine.scenario_file",
    "strobewise.profile.machine", "strobewise_cli.main", "strobewise_cli.render.html_report", "strobewise_cli.render.markdown",
    *(f"strobewise_cli.commands.{name}" for name in COMMANDS),
)  # fmt: skip


def main() -> None:
    """Fuzz one target with atheris until it is told to stop."""
    import atheris

    name = sys.argv.pop(1)
    target = next(each for each in TARGETS if each.__name__ == name)
    with atheris.instrument_imports(include=["strobewise", "strobewise_cli"]):
        for module in INSTRUMENTED:  # loaded here, so that they are instrumented
            importlib.import_module(module)
    atheris.Setup([*sys.argv, str(CORPUS / TARGETS[target])], target)
    atheris.Fuzz()


if __name__ == "__main__":
    root = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(root / "decoders"), str(root / "cli")]
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
