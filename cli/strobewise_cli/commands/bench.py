"""``strobewise bench``: the case as a page in the browser, served to this machine alone."""

from __future__ import annotations

import argparse
import logging
import secrets
import socket
from pathlib import Path
from typing import TYPE_CHECKING

from strobewise.errors import ComponentMissing, UsageError
from strobewise_cli.commands.options import Subparsers, add_taken_options, raw_words, taken_said
from strobewise_cli.terminal import one_line

if TYPE_CHECKING:
    import uvicorn

LOOPBACK = "127.0.0.1"
KEY_BYTES = 24
LEADS_DEFAULT = 8
LINGERING_S = 3  #: that a client which is still sending is waited for at the end

_EPILOG = """\
examples:
  strobewise bench mine                                 the case in the folder mine; a new one where there is none
  strobewise bench mine --machine bench.toml            with what is known of the machine
  strobewise bench mine --watch exports                 take what the capture program exports there
  strobewise bench mine --device fx2lafw                capture from the page, through the capture host

It prints the address of the page, with a key that opens it. Nobody else on this machine gets in without it, and nobody from elsewhere.
Ctrl-C ends it. The case stays in its folder, and every other command can go on with it.

exit status: 0, 2 bad usage
"""


def run(args: argparse.Namespace) -> int:
    """Serve the page until it is ended."""
    try:
        import uvicorn

        from strobewise_cli.page_server.routes import LARGEST, make_app
    except ModuleNotFoundError as error:
        raise ComponentMissing(
            f"the page needs {error.name}", "strobewise bench", 'pip install "strobewise[bench]", or use strobewise case'
        ) from None
    from strobewise.case.experience import read_experience
    from strobewise_cli.page_server.desk import Beginning, Desk
    from strobewise_cli.page_server.watching import Watcher

    if args.machine is not None:
        from strobewise.profile.machine import find_profile, load_profile

        load_profile(find_profile(args.machine))  # what is wrong with it is said here, not on the page
    desk = Desk(Path(args.folder), Beginning(args.machine, args.leads, args.device, taken_said(args)), read_experience(args.closed))
    desk.view()
    watcher = Watcher(_watched(args), desk, LARGEST) if args.watch is not None else None
    key, token = secrets.token_urlsafe(KEY_BYTES), secrets.token_urlsafe(KEY_BYTES)
    with _listening(args.port) as listener:
        port = listener.getsockname()[1]
        print(f"http://{LOOPBACK}:{port}/?key={key}", flush=True)
        print(f"The case in {one_line(str(desk.folder))}, for this machine alone; Ctrl-C ends it.", flush=True)
        app = make_app(desk, port, key, token)
        config = uvicorn.Config(
            app, log_level="error", access_log=False, server_header=False, ws="none", timeout_graceful_shutdown=LINGERING_S
        )
        server = quiet_at_its_end(uvicorn.Server(config))
        if watcher is not None:
            watcher.start()
        try:
            server.run(sockets=[listener])
        except (KeyboardInterrupt, SystemExit):
            pass  # the way to end it
        finally:
            if watcher is not None:
                watcher.stop()
    return 0


def quiet_at_its_end(server: uvicorn.Server) -> uvicorn.Server:
    """Return a server that does not report as an error whom it cuts off when it is ended."""
    shutdown = server.shutdown

    async def quietly(sockets: list[socket.socket] | None = None) -> None:
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
        await shutdown(sockets)

    server.shutdown = quietly  # type: ignore[method-assign]
    return server


def _watched(args: argparse.Namespace) -> Path:
    folder = Path(args.watch)
    if not folder.is_dir():
        raise UsageError("this is no folder", f"--watch {args.watch}", "name the folder that the capture program exports to")
    if folder.resolve() in (Path(args.folder).resolve(), (Path(args.folder) / "captures").resolve()):
        raise UsageError("the case itself lies there", f"--watch {args.watch}", "let the capture program export to another folder")
    return folder


def _listening(port: int) -> socket.socket:
    try:
        return socket.create_server((LOOPBACK, port))
    except (OSError, OverflowError) as error:
        words = (getattr(error, "strerror", None) or str(error)).lower()
        raise UsageError(f"nothing can listen there: {words}", f"--port {port}", "choose another port, or leave the option out") from None


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "bench",
        help="the case as a page in the browser",
        description="Serve a case as a page to the browser of this machine: the next step, the pins to clip, the verdict, the proof.",
        epilog=_EPILOG,
    )
    parser.add_argument("folder", metavar="FOLDER", help="the case; an empty folder, or one that is not there yet, begins one")
    parser.add_argument("--machine", metavar="PROFILE", help="for a new case: what the machine is made of")
    parser.add_argument(
        "--leads", metavar="N", type=int, default=LEADS_DEFAULT, help="for a new case: channels of the analyser (default: 8)"
    )
    parser.add_argument("--watch", metavar="FOLDER", help="take captures that appear in this folder into the case")
    parser.add_argument("--device", metavar="DRIVER", help="offer to capture with this analyser, as strobewise capture --list names it")
    add_taken_options(parser.add_argument_group("captures that come as files"), raw_words)
    parser.add_argument("--port", metavar="N", type=int, default=0, help="listen on this port (default: one that is free)")
    parser.add_argument(
        "--closed", metavar="FOLDER", action="append", default=[],
        help="closed cases, or a folder of them: who was to blame there counts, and is told beside the table",
    )  # fmt: skip
    parser.set_defaults(run=run)
    return parser
