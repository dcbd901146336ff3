"""The command ``strobewise``: one parser, one subcommand a file, one line for every error of the user."""

from __future__ import annotations

import argparse
import errno
import gc
import os
import signal
import sys
from collections.abc import Sequence
from importlib import import_module
from types import FrameType
from typing import NoReturn

from strobewise import __version__
from strobewise.errors import StrobewiseError, UsageError
from strobewise_cli.named_files import settle_files
from strobewise_cli.terminal import READABLE, sentence

#: The subcommands in the order of --help, each a module of strobewise_cli.commands.
COMMANDS = (
    "diagnose", "cycles", "listing", "lines", "compare", "verify", "watch", "survey", "simulate", "plugins", "prepare", "hookup",
    "capture", "case", "prove", "bench", "stimulus", "explain", "learn", "demo",
)  # fmt: skip

GARBAGE_OBJECTS = 200_000  #: a run makes few objects that refer to each other: looking for them as often as Python does costs more
EXIT_BAD_INPUT = 2
EXIT_INTERRUPTED = 128 + signal.SIGINT
EXIT_PIPE_CLOSED = 128 + 13  #: as a shell says it of SIGPIPE, which not every system has

_DESCRIPTION = "Says what is wrong with a Z80 computer, from a capture of its bus."
_EPILOG = "strobewise COMMAND --help shows a command's options and examples."


class _Parser(argparse.ArgumentParser):
    """A parser whose errors read like all others."""

    def error(self, message: str) -> NoReturn:
        where, what = "command line", message
        if message.startswith("argument "):
            where, _, what = message.removeprefix("argument ").partition(": ")
        if what.startswith("invalid choice: "):
            found, _, choices = what.removeprefix("invalid choice: ").partition(" (choose from ")
            if where == "COMMAND":
                raise UsageError(f"there is no command {found}", "command line", f"the commands are {choices.rstrip(')')}")
            raise UsageError(f"{found} is not possible here", where, f"choose from {choices.rstrip(')')}")
        what = what.replace("the following arguments are required: ", "missing: ")
        what = what.replace("unrecognized arguments: ", "no such option or too many arguments: ")
        raise UsageError(what, where, f"{self.prog} --help shows what is possible")


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Return the parser of the whole command line. only: the command that is called, when it is known; the others need not be loaded."""
    parser = _Parser(prog="strobewise", description=_DESCRIPTION, epilog=_EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--version", action="version", version=f"strobewise {__version__}")
    parser.add_argument("--debug", action="store_true", help="show the traceback of every error")
    # With prog given nothing asks how wide the terminal is, which loads four packers.
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command", required=True, prog=parser.prog)
    for name in COMMANDS if only is None else (only,):
        command = import_module(f"strobewise_cli.commands.{name}").add_parser(commands)
        command.formatter_class = argparse.RawDescriptionHelpFormatter
        command.add_argument("--debug", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status."""
    arguments = sys.argv[1:] if argv is None else list(argv)
    gc.set_threshold(GARBAGE_OBJECTS)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # numpy starts threads for linear algebra, which is not done here
    _be_careful_with_the_terminal()
    try:
        args = build_parser(arguments[0] if arguments and arguments[0] in COMMANDS else None).parse_args(arguments)
        settle_files(args)
        status: int = args.run(args)
        sys.stdout.flush()  # here, so that a full disk or a closed pipe is noticed
        if argv is None:
            gc.freeze()  # the process ends: nothing is gained by looking for garbage in all that was loaded
        return status
    except StrobewiseError as error:
        return _report(str(error), "--debug" in arguments)
    except OSError as error:
        _give_up_output()
        if _is_closed_pipe(error):  # the reader has seen enough
            return EXIT_PIPE_CLOSED
        return _report(_os_error(error), "--debug" in arguments)
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED


def _is_closed_pipe(error: OSError) -> bool:
    """Say whether a pipe has no reader any more; Windows calls that an invalid argument (from memory), of no file's name."""
    invalid = sys.platform == "win32" and error.errno == errno.EINVAL and error.filename is None
    return isinstance(error, BrokenPipeError) or invalid


def _give_up_output() -> None:
    """See that what standard output cannot take any more is not tried again, with a complaint, when Python ends."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _be_careful_with_the_terminal() -> None:
    """Never fail on a character that the terminal lacks, nor on a stream that is closed; let SIGTERM tidy up as Ctrl-C does."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode))
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors=READABLE)
    try:
        signal.signal(signal.SIGTERM, _terminate)
    except ValueError:
        pass  # not the main thread: whoever runs us handles signals


def _terminate(number: int, _: FrameType | None) -> NoReturn:
    sys.exit(128 + number)


def _report(text: str, debug: bool) -> int:
    if debug:
        import traceback

        traceback.print_exc()
    print(f"strobewise: error: {sentence(text)}", file=sys.stderr)
    return EXIT_BAD_INPUT


def _os_error(error: OSError) -> str:
    what = (error.strerror or str(error) or type(error).__name__).lower()
    remedies: dict[type[OSError], str] = {
        FileNotFoundError: "check the name",
        PermissionError: "check the permissions of the file and its folder, and that no other program has it open",
        IsADirectoryError: "name a file in it",
        NotADirectoryError: "check the name",
        FileExistsError: "choose another name",
    }
    remedy = remedies.get(type(error), "check the file, its folder and the space on the disk")
    return str(StrobewiseError(what, str(error.filename or "standard output"), remedy))
