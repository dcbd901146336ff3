"""``strobewise plugins``: the plug-ins for the capture host: where they are, install, check, remove."""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

from strobewise.errors import ComponentMissing, StrobewiseError, UsageError
from strobewise_cli.commands.options import Subparsers
from strobewise_cli.hostpath import host_folder

HOST = "sigrok-cli"

_EPILOG = """\
examples:
  strobewise plugins                    what there is, what is installed, and the line for your shell
  strobewise plugins --path             just the folder
  strobewise plugins install            link the plug-ins into your own decoder folder
  strobewise plugins install --copy     copies that work without this package
  strobewise plugins check              load them in the capture host, and say what they cost there
  strobewise plugins uninstall          remove what was installed

Without installing: SIGROKDECODE_DIR="$(strobewise plugins --path)" sigrok-cli -L
"""
_HOST_TIMEOUT_S = 60


def run(args: argparse.Namespace) -> int:
    """Show, install, check or remove."""
    if args.copy and args.action != "install":
        raise UsageError("--copy goes with install only", "--copy", "strobewise plugins install --copy")
    if args.path:
        print(host_folder())
        return 0
    actions = {"show": _show, "install": lambda: _install(args.copy), "check": _check, "uninstall": _uninstall}
    actions[args.action]()
    return 0


def _show() -> None:
    from strobewise_cli.install import available, installed

    sources = available()
    entries = {entry.path.name: entry for entry in installed()}
    print(f"plug-ins in {host_folder()}")
    for source in sources:
        entry = entries.get(source.name)
        state = "not installed" if entry is None else f"{'copied' if entry.target is None else 'linked'} to {entry.path}"
        print(f"  {source.name}: {state}")
    print("\nto use them without installing:")
    print(f"  {_variable_line()}")


def _variable_line() -> str:
    if sys.platform == "win32":
        return f'set "SIGROKDECODE_DIR={host_folder()}"'
    return f"export SIGROKDECODE_DIR={shlex.quote(str(host_folder()))}"


def _install(copy: bool) -> None:
    from strobewise_cli.install import install

    for entry in install(copy):
        print(f"{entry.path}" + (f" -> {entry.target}" if entry.target is not None else " (a copy with its own engine)"))
    print("\nthe host finds them now; where it should look elsewhere:")
    print(f"  {_variable_line()}")


def _uninstall() -> None:
    from strobewise_cli.install import uninstall

    removed, left = uninstall()
    for path in removed:
        print(f"removed {path}")
    for path in left:
        print(f"left, because it is not as it was installed: {path}")
    if not removed and not left:
        print("nothing was installed")


def _check() -> None:
    """Load every plug-in in the host: the installed ones, else those of this installation.

    Raises ComponentMissing without a host, StrobewiseError for a plug-in that does not load without a message.
    """
    from strobewise_cli.install import available, installed

    host = shutil.which(HOST)
    if host is None:
        raise ComponentMissing("the capture host is not here", HOST, "install it, or check on the machine that captures")
    entries = installed()
    environment = dict(os.environ)
    if entries:
        environment.pop("SIGROKDECODE_DIR", None)
        names = [entry.path.name for entry in entries]
        print(f"checking what is installed in {entries[0].path.parent}")
    else:
        environment["SIGROKDECODE_DIR"] = str(host_folder())
        names = [source.name for source in available()]
        print(f"checking {host_folder()}")
    listing = _ask_host([host, "-L"], environment)
    listed = listing.stdout.decode(errors="replace").splitlines()
    for name in names:
        messages = [line for line in listing.stderr.decode(errors="replace").splitlines() if name in line]
        shown = _ask_host([host, "-P", name, "--show"], environment)
        messages += shown.stderr.decode(errors="replace").splitlines()
        if messages or shown.returncode or not any(line.split()[:1] == [name] for line in listed):
            said = messages[0] if messages else "the host does not list it"
            raise StrobewiseError(f"{name} does not load: {said}", HOST, "install strobewise again and look at sigrok-cli -l 3 -L")
        print(f"  {name}: loads without a message")
    if "strobewise_cycles" in names:
        _tell_costs(host)


def _tell_costs(host: str) -> None:
    """Say what the plug-ins cost on this machine."""
    from strobewise_cli.host_cost import FLOOR_MEANS, costs
    from strobewise_cli.install import available

    print(f"\nprocessor time in this host, as a multiple of what {FLOOR_MEANS} takes:")
    try:
        for name, ratio in costs(host, available()):
            print(f"  {name}: {ratio:.1f}")
    except subprocess.CalledProcessError as error:
        said = (error.stderr.strip().splitlines() or ["it says nothing"])[0]
        raise StrobewiseError(f"the host fails on a simulated capture: {said}", HOST, "run it by hand") from None


def _ask_host(command: list[str], environment: dict[str, str]) -> subprocess.CompletedProcess[bytes]:
    try:
        return subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, env=environment, timeout=_HOST_TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired:
        raise StrobewiseError("the capture host does not answer", Path(command[0]).name, "run it by hand") from None


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "plugins",
        help="bring the decoder plug-ins to the capture host",
        description="Show, install, check or remove the decoder plug-ins for the capture host sigrok.",
        epilog=_EPILOG,
    )
    parser.add_argument(
        "action", metavar="ACTION", nargs="?", default="show", choices=("show", "install", "check", "uninstall"),
        help="show (the default), install, check or uninstall",
    )  # fmt: skip
    parser.add_argument("--path", action="store_true", help="print just the folder to point the host at")
    parser.add_argument("--copy", action="store_true", help="with install: self-contained copies instead of links")
    parser.set_defaults(run=run)
    return parser
