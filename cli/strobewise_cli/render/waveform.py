"""Windows of a capture for a page: as data for the script that draws them, and as plain characters for readers without one."""

from __future__ import annotations

from strobewise.bus.lines import BIT
from strobewise.bus.model import KINDS
from strobewise_cli.render.html_data import PageData, Window
from strobewise_cli.render.waveform_text import COLUMNS_MAX, Mark, Stretch, draw

DRAWN_T = 22  #: T-states in a plain drawing
BEFORE_T = 4
FRAME = ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH")


def plain(data: PageData, window: Window, lines: tuple[str, ...]) -> str:
    """Return the moment of a window as a drawing in characters; lines: those that it must show."""
    captured = data.examined.channels.channels
    names = [name for name in FRAME if name in captured]
    names += [name for name in lines if name in captured and name in BIT and name not in names]
    names += [bus for bus, width in (("A", 16), ("D", 8)) if all(f"{bus}{n}" in captured for n in range(width))]
    span = window.end - window.start
    t_state = data.t_ticks or span / COLUMNS_MAX * 3
    start = max(window.start, window.moment - BEFORE_T * t_state)
    marks = [
        Mark(int(at), KINDS[int(kind)], max(int(t), 1))
        for at, kind, t in zip(window.cycles.start, window.cycles.kind, window.cycles.t_states, strict=True)
    ]
    stretch = Stretch(window.times.tolist(), [int(word) for word in window.words.tolist()], start, t_state, DRAWN_T, marks)
    return "\n".join(draw(stretch, names))
