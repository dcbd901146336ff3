"""``strobewise watch``: follow an endless capture until something goes wrong."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
from collections.abc import Callable, Iterator
from types import FrameType
from typing import TYPE_CHECKING, NoReturn

from strobewise.errors import UsageError
from strobewise.files.writing import claimed
from strobewise_cli.commands.options import Subparsers, add_machine_options, engine_options, opened
from strobewise_cli.output import open_output
from strobewise_cli.terminal import note, one_line

if TYPE_CHECKING:
    from strobewise.watch.watching import Watch, Window
    from strobewise_cli.render.watch_text import Status, WatchLog

STANDARD_INPUT = "-"
PIPE_BYTES = 1 << 20  #: what an ordinary user may ask for
SAVED_AT_MOST = 100  #: files that --keep-going leaves behind, so that a machine that fails for good does not fill the disk
WINDOW_RANGE_S = (0.001, 10.0)

_EPILOG = """\
examples:
  sigrok-cli -d DRIVER -c samplerate=24m --continuous -O vcd | strobewise watch -
                                              stop at the first fault and say what it is
  sigrok-cli -d DRIVER -c samplerate=24m --continuous -O binary | strobewise watch - --raw 24M:MREQ=0,M1=1,RD=2,WR=3
                                              the same from raw samples, which cost far less to read
  ... | strobewise watch - --save faults      save what was around it as a small VCD, too
  ... | strobewise watch - --keep-going --save faults --log counters.jsonl
                                              go on all night; a line for each second of the stream in the log

The stream is judged window by window, each as a capture of its own. Ctrl-C and SIGTERM end it with the summary.

exit status: 0 ended without a fault, 1 fault seen, 2 bad usage or unreadable stream
"""


class _Stopped(BaseException):
    """Ctrl-C or SIGTERM."""


def run(args: argparse.Namespace) -> int:
    """Follow the stream; print what is found, and the summary at the end."""
    from strobewise.watch.watching import Watch
    from strobewise_cli.render import watch_text

    if args.capture == STANDARD_INPUT:
        _widen_the_pipe()
    options = engine_options(args)
    ignored = _known_rules(args.ignored)
    with (
        _folder(args.save),
        opened(args.capture, options, named=True) as (capture, channels),
        watch_text.WatchLog(args.log) as log,
    ):
        watch = Watch(capture, channels, options, args.window, ignored, apart=True)
        with watch_text.Status(watch) as status, _signals():
            _follow(watch, args, status, log)
        watch_text.print_summary(watch.totals, status.seconds, sys.stdout)
    return 1 if watch.totals.faulty else 0


def _follow(watch: Watch, args: argparse.Namespace, status: Status, log: WatchLog) -> None:
    from strobewise_cli.render import watch_text

    saved = 0
    try:
        for window in watch.windows(status.update):
            fault = window.verdict.state == "fault"
            path = None
            if fault:
                with status.paused():
                    watch_text.print_fault(window, sys.stdout)
                    if args.save is not None and saved < SAVED_AT_MOST:
                        path = _save(watch, window, args.save, status)
                        saved += 1
                    sys.stdout.flush()
            log.add(window, path)
            if fault and not args.keep_going:
                return
    except _Stopped:
        pass


def _widen_the_pipe() -> None:
    """Let the pipe hold more than its 64 KiB, so that the reader is given large pieces, which cost it less."""
    if sys.platform != "linux":
        return
    try:
        import fcntl

        fcntl.fcntl(sys.stdin.fileno(), fcntl.F_SETPIPE_SZ, PIPE_BYTES)
    except (ImportError, AttributeError, OSError, ValueError):
        pass  # no pipe, not allowed, or not a system that can


def _save(watch: Watch, window: Window, folder: str, status: Status) -> str:
    path = os.path.join(folder, f"fault-{watch.totals.faulty:04d}-{window.faults[0].rule}.vcd")
    with open_output(path, confirm=False) as out:
        watch.save(window, out, status.update)
    print(f"  saved: {one_line(path)}")
    return path


@contextlib.contextmanager
def _folder(folder: str | None) -> Iterator[None]:
    """Make the folder for the faults and hold it against a second run, which would give its files the same names."""
    if folder is None:
        yield
        return
    try:
        os.makedirs(folder, exist_ok=True)
    except FileExistsError:
        raise UsageError("this is a file", f"--save {folder}", "name a folder") from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise UsageError("nothing can be written there", f"--save {folder}", "check the permissions of the folder")
    if os.listdir(folder):
        note(f"files of the same name in the folder will be replaced ({folder})")
    with claimed(folder):
        yield


def _known_rules(names: list[str]) -> frozenset[str]:
    from strobewise.rules.base import find_rule

    for name in names:
        if find_rule(name) is None:
            raise UsageError(f"there is no rule {name!r}", "--ignore", "strobewise explain lists the rules")
    return frozenset(names)


@contextlib.contextmanager
def _signals() -> Iterator[None]:
    """Turn Ctrl-C and SIGTERM into the end of the watch, with its summary."""

    def stop(number: int, _: FrameType | None) -> NoReturn:
        for each in before:
            signal.signal(each, signal.SIG_IGN)  # the first one is enough; nothing may cut off the summary
        raise _Stopped

    before: dict[signal.Signals, Callable[[int, FrameType | None], object] | int | None] = {}
    try:
        for each in (signal.SIGINT, signal.SIGTERM):
            before[each] = signal.signal(each, stop)
    except ValueError:
        pass  # not the main thread: whoever runs us handles signals
    try:
        yield
    except _Stopped:
        pass
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)


def _window(text: str) -> float:
    low, high = WINDOW_RANGE_S
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not low <= seconds <= high:
        raise UsageError(f"{text!r} is no length of a window", "--window", f"give seconds, {low:g} to {high:g}")
    return seconds


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "watch",
        help="follow an endless capture and stop at the first fault",
        description="Follow an endless capture, for faults that come and go: a machine that dies warm.",
        epilog=_EPILOG,
    )
    parser.add_argument("capture", metavar="CAPTURE", help="- for a VCD on standard input, or samples with --raw; a file or a named pipe")
    parser.add_argument("--keep-going", action="store_true", help="report every window with a fault and go on")
    parser.add_argument("--save", metavar="FOLDER", help="save the surroundings of each fault there, as a small VCD")
    parser.add_argument("--log", metavar="FILE", help="add a line of JSON with counters for each second of the stream, and for each fault")
    parser.add_argument("--window", metavar="SECONDS", type=_window, default=0.1, help="length of the windows (default: 0.1)")
    parser.add_argument(
        "--ignore", dest="ignored", metavar="RULE", action="append", default=[], help="pass over a rule; may be given again and again"
    )
    add_machine_options(parser)
    parser.set_defaults(run=run)
    return parser
