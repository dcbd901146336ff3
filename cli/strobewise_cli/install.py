"""Putting the plug-ins where the capture host looks for one user's decoders, and taking away just what was put there.

What was installed stands in a list of our own, outside the host's folder: the host prints an error for everything there
that is no decoder. Copies carry their own plain engine, so that they work without this package.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from strobewise.errors import ComponentMissing, StrobewiseError, UsageError
from strobewise.files.writing import claimed
from strobewise_cli.hostpath import decoders_folder, host_folder
from strobewise_cli.output import open_output

#: The parts of the engine that the host can import: standard library only.
PLAIN_ENGINE = ("__init__.py", "errors.py", "bus", "records", "cpu", "program", "stream", "rules", "verdict")
PRIVILEGE_NOT_HELD = 1314  #: what Windows says where a user may not make links
_WAIT_S = 30.0  #: for another one that installs: copies are made within seconds
LONG_NAME = "\\\\?\\"  #: what Windows puts before the target of a link (os.readlink of Python's library)
_NO_COPY = shutil.ignore_patterns("__pycache__", "*.pyc")


class Entry(NamedTuple):
    """One installed plug-in."""

    path: Path  #: in the host's folder
    target: str | None  #: where a link points, None for a copy
    files: dict[str, str]  #: of a copy: name relative to the folder -> SHA-256


def user_folder() -> Path:
    """Return the folder in which the host looks for the current user's decoders (host's search path: XDG_DATA_HOME)."""
    return _data_home() / "libsigrokdecode" / "decoders"


def _data_home() -> Path:
    home = os.environ.get("XDG_DATA_HOME", "")
    if os.path.isabs(home):
        return Path(home)
    if sys.platform == "win32":  # where the host's library looks there: GLib, g_get_user_data_dir(), from memory
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    return Path.home() / ".local" / "share"


def _list_file() -> Path:
    return _data_home() / "strobewise" / "installed-plugins.json"


def available() -> list[Path]:
    """Return the plug-in folders of this installation.

    Raises ComponentMissing when there are none.
    """
    folder = host_folder()
    found = sorted(path.parent for path in folder.glob("*/pd.py"))
    if not found:
        raise ComponentMissing("this installation has no plug-ins", str(folder), "install strobewise again")
    return found


def installed() -> list[Entry]:
    """Return what our list says, without what is gone meanwhile."""
    try:
        document = json.loads(_list_file().read_text(encoding="utf-8"))
        entries = [Entry(Path(item["path"]), item["target"], dict(item["files"])) for item in document["plugins"]]
    except FileNotFoundError:
        return []
    except (ValueError, KeyError, TypeError) as error:
        raise StrobewiseError("the list of installed plug-ins is damaged", str(_list_file()), "remove that file") from error
    return [entry for entry in entries if entry.path.is_symlink() or entry.path.exists()]


def install(copy: bool) -> list[Entry]:
    """Install all plug-ins as links, or as copies with an engine of their own; what we installed before is replaced.

    Raises StrobewiseError before anything is changed when a foreign file stands in the way.
    """
    _list_file().parent.mkdir(parents=True, exist_ok=True)
    try:
        with claimed(str(_list_file().parent), _WAIT_S):
            return _install(copy)
    finally:
        _remove_if_empty(_list_file().parent)


def _install(copy: bool) -> list[Entry]:
    sources = available()
    known = {entry.path: entry for entry in installed()}
    folder = user_folder()
    for source in sources:
        path = folder / source.name
        if (path.is_symlink() or path.exists()) and (path not in known or not _is_as_installed(known[path])):
            raise StrobewiseError("something that we did not install has this name", str(path), "move it away, then install again")
    folder.mkdir(parents=True, exist_ok=True)
    made: list[Entry] = []

    def note(entry: Entry) -> None:
        made.append(entry)
        _write_list([*(entry for entry in installed() if entry.path not in {m.path for m in made}), *made])

    for source in sources:
        path = folder / source.name
        if path in known:
            _remove(known[path])
        (_copy if copy else _link)(source, path, note)
    return made


def uninstall() -> tuple[list[Path], list[Path]]:
    """Remove what we installed. Return the plug-ins removed, and what was left because it is not as we installed it."""
    removed: list[Path] = []
    left: list[Path] = []
    if not _list_file().exists():
        return removed, left
    with claimed(str(_list_file().parent), _WAIT_S):
        _uninstall(removed, left)
    for folder in (_list_file().parent, user_folder(), user_folder().parent):
        _remove_if_empty(folder)
    return removed, left


def _uninstall(removed: list[Path], left: list[Path]) -> None:
    for entry in installed():
        if entry.target is not None and not _is_as_installed(entry):
            left.append(entry.path)  # another file took the link's place
            continue
        left += _remove(entry)
        removed.append(entry.path)
    _list_file().unlink(missing_ok=True)


def _link(source: Path, path: Path, note: Callable[[Entry], None]) -> None:
    """Link a plug-in. note: hears of it just before it is there, so that one whom a kill leaves behind is known as ours."""
    note(Entry(path, str(source), {}))
    try:
        path.symlink_to(source, target_is_directory=True)
    except NotImplementedError as error:
        raise UsageError("this system makes no links", str(path), "strobewise plugins install --copy") from error
    except OSError as error:
        if getattr(error, "winerror", None) == PRIVILEGE_NOT_HELD:
            raise UsageError("no right to make links", str(path), "strobewise plugins install --copy") from None
        raise


def link_or_copy(source: Path, path: Path) -> None:
    """Put a plug-in where it can be loaded: as a link, or where there are none as a copy with its engine."""
    try:
        path.symlink_to(source, target_is_directory=True)
    except (NotImplementedError, OSError):
        _copy(source, path, lambda _: None)


def _copy(source: Path, path: Path, note: Callable[[Entry], None]) -> None:
    """Copy a plug-in with its engine; the folder appears whole or not at all. note: as for a link."""
    with tempfile.TemporaryDirectory(dir=path.parents[1], prefix=".strobewise-") as scratch:
        made = Path(scratch) / source.name
        shutil.copytree(source, made, ignore=_NO_COPY)
        engine = decoders_folder() / "strobewise"
        (made / "strobewise").mkdir()
        for part in PLAIN_ENGINE:
            if (engine / part).is_dir():
                shutil.copytree(engine / part, made / "strobewise" / part, ignore=_NO_COPY)
            else:
                shutil.copy2(engine / part, made / "strobewise" / part)
        files = {str(name.relative_to(made)): _digest(name) for name in _files(made)}
        note(Entry(path, None, files))
        made.rename(path)


def _files(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file() and "__pycache__" not in path.parts)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _is_as_installed(entry: Entry) -> bool:
    if entry.target is not None:
        return entry.path.is_symlink() and os.readlink(entry.path).removeprefix(LONG_NAME) == entry.target
    if entry.path.is_symlink() or not entry.path.is_dir():
        return False
    return {str(name.relative_to(entry.path)): _digest(name) for name in _files(entry.path)} == entry.files


def _remove(entry: Entry) -> list[Path]:
    """Remove one plug-in; return the files left because they are not ours or were changed."""
    if entry.target is not None:
        entry.path.unlink()
        return []
    left = []
    for name, digest in entry.files.items():
        path = entry.path / name
        if path.is_file() and not path.is_symlink() and _digest(path) == digest:
            path.unlink()
        elif path.exists():
            left.append(path)
    for cache in sorted(entry.path.rglob("__pycache__")):  # compiled by the host from our files
        shutil.rmtree(cache)
    for folder in sorted((path for path in entry.path.rglob("*") if path.is_dir()), reverse=True):
        _remove_if_empty(folder)
    _remove_if_empty(entry.path)
    known = {entry.path / name for name in entry.files}
    return left + [path for path in _files(entry.path) if path not in known] if entry.path.exists() else left


def _remove_if_empty(folder: Path) -> None:
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()


def _write_list(entries: list[Entry]) -> None:
    _list_file().parent.mkdir(parents=True, exist_ok=True)
    document = {"plugins": [{"path": str(e.path), "target": e.target, "files": e.files} for e in entries]}
    with open_output(_list_file(), "w", confirm=False) as out:
        json.dump(document, out, indent=1)
        out.write("\n")
