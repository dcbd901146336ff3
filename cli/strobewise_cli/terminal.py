"""Text for a terminal: what a capture or a file name says never reaches it as a control sequence."""

from __future__ import annotations

import codecs
import sys
from collections.abc import Iterator
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment


#: What stands for characters of ours that a terminal may lack: the name of a unit, the high level of a drawing, bars by their height.
STAND_INS = {"µ": "u", "‾": "-", **{bar: str(height) for height, bar in enumerate("▁▂▃▄▅▆▇█", 1)}}
READABLE = "strobewise-readable"  #: what is done with characters that a stream's encoding lacks: errors of a text stream


def _stand_in(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(STAND_INS.get(char) or char.encode("ascii", "backslashreplace").decode() for char in lacking), error.end


codecs.register_error(READABLE, _stand_in)


def one_line(text: str) -> str:
    """Return text on one line, with everything that is not printable written as an escape."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)


SENTENCE_CHARS = 1000  #: of an error or a warning: what is longer is a name from a file, and its middle tells nobody anything


def sentence(text: str) -> str:
    """Return text on one line that a terminal can show, its middle left out where it is long."""
    line = one_line(text)
    half = SENTENCE_CHARS // 2
    return line if len(line) <= SENTENCE_CHARS else f"{line[: half - 3]} ... {line[-half:]}"


def warn(text: str) -> None:
    """Print a warning: something was wrong with the input, and the result stands all the same."""
    print(f"strobewise: warning: {sentence(text)}", file=sys.stderr)


def note(text: str) -> None:
    """Print what the user may want to know about how the input was taken."""
    print(f"strobewise: note: {sentence(text)}", file=sys.stderr)


WIDTH = 80  #: columns of a report that does not go to a terminal


def report_console(stream: IO[str]) -> Console:
    """Return the console of a report: as wide as the terminal, or WIDTH columns in a file or a pipe."""
    return make_console(stream, width=None if stream.isatty() else WIDTH)


def make_console(stream: IO[str], width: int | None = None, soft_wrap: bool = False) -> Console:
    """Return a console that colours on a terminal only, and leaves a closed pipe to the caller: rich would end with status 1.

    Whatever is printed, what is not printable in it is shown as an escape: a sheet or a profile from elsewhere may hold anything.
    """
    from rich.console import Console
    from rich.segment import Segment

    class PlainConsole(Console):
        def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterator[Segment]:
            for text, style, control in super().render(renderable, options):
                shown = text if control or text.isprintable() else "\n".join(map(one_line, text.split("\n")))
                yield Segment(shown, style, control)

        def on_broken_pipe(self) -> None:
            raise  # noqa: PLE0704  # called while the error is being handled

    return PlainConsole(file=stream, highlight=False, width=width, soft_wrap=soft_wrap)
