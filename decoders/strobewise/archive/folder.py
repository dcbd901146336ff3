"""The captures in a folder, and the journal that lets a survey that was cut off go on where it stopped."""

from __future__ import annotations

import hashlib
import json
import os
import stat
import sys
from collections.abc import Iterator
from dataclasses import asdict
from typing import BinaryIO

from .. import __version__
from ..capture.opening import FORMATS, PACKED
from ..errors import UsageError
from ..files.names import map_path
from ..files.plain_data import json_line, sound_text
from ..files.reading import MAX_TABLE_BYTES, read_named
from ..files.writing import BINARY, buffered, whole_file
from ..profile.options import Options
from .columns import TABLES
from .record import Record, Task

ENDINGS = tuple(f"{ending}{packed}" for known in FORMATS for ending in known.endings for packed in ("", PACKED))
RAW_ENDINGS = (".bin", ".raw", ".bin.gz", ".raw.gz")  #: of raw samples (common practice); they say nothing of themselves
JOURNAL = "journal.jsonl"
MAX_LINE_CHARS = 64 << 20  #: of a journal: far more than one capture fills


def find_captures(folder: str, leave_out: str | None = None, raw: bool = False) -> list[Task]:
    """Return the captures in a folder and the folders in it, in order of their paths; leave_out: a folder not to look into.

    raw: it is said what raw samples are, so that files of them are captures, too.
    Links to folders are not followed: they may lead round in circles. Raises UsageError, OSError.
    """
    if not os.path.isdir(folder):
        what = "this is a file" if os.path.exists(folder) else "no such folder"
        raise UsageError(what, folder, "name a folder with captures in it")
    top = os.path.realpath(folder)
    skipped = None if leave_out is None else os.path.realpath(leave_out)
    tasks = []
    endings = (*ENDINGS, *RAW_ENDINGS) if raw else ENDINGS
    for place, folders, files in os.walk(top, onerror=_raise):
        folders[:] = [name for name in folders if os.path.join(place, name) != skipped]
        for name in files:
            if not name.lower().endswith(endings) or name.startswith("."):
                continue
            task = task_of(top, os.path.relpath(os.path.join(place, name), top).replace(os.sep, "/"))
            if task is not None:
                tasks.append(task)
    return sorted(tasks, key=lambda task: task.path)


def task_of(top: str, path: str) -> Task | None:
    """Return the task of one capture by its path from a folder, None where there is no such file."""
    full = os.path.join(top, *path.split("/"))
    try:
        facts = os.stat(full)
    except OSError:
        return None  # a link that leads nowhere, or a file that has just gone
    if not stat.S_ISREG(facts.st_mode):
        return None  # a named pipe would keep us waiting, a device has no end
    return Task(top, path, facts.st_size, facts.st_mtime_ns, _map_digest(full))


def _map_digest(capture: str) -> str:
    """Return a digest of the map beside a capture; one that cannot be read is the reading's to tell."""
    try:
        return hashlib.sha256(read_named(map_path(capture), MAX_TABLE_BYTES)).hexdigest() if os.path.isfile(map_path(capture)) else ""
    except (OSError, ValueError):
        return "unreadable"


def _raise(error: OSError) -> None:
    raise error


def fingerprint(options: Options) -> str:
    """Return a digest of what else decides a record: the options, this version of strobewise, and the columns that it fills."""
    places = sorted(options.probe_at.items()), options.own_probes
    parts: list[object] = [__version__, options.maps, options.clock_hz, repr(options.profile), places, options.raw]
    parts += [options.clocked, options.stimulus, options.free_run, options.replay, options.ports]
    parts.append([column.name for column in TABLES["captures"]])
    parts.append([(address, hashlib.sha256(content).hexdigest()) for _, address, content in options.roms])
    if options.map_file is not None:
        parts.append(read_named(options.map_file, MAX_TABLE_BYTES))
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _as_it_was(record: Record, task: Task) -> bool:
    """Say whether a record is of the capture as it is now, under the map that lies beside it now, and read as its case says now."""
    row = record.capture
    was = row.get("size_bytes"), row.get("modified_ns"), row.get("map_digest", ""), record.reading
    return was == (task.size, task.modified_ns, task.map_digest, task.reading)


def _read_line(line: str, fingerprint: str) -> Record | None:
    """Return the record in a line of a journal, None where there is none or it was made otherwise."""
    try:
        entry = json.loads(line)
    except ValueError:
        return None
    if not isinstance(entry, dict) or entry.get("fingerprint") != fingerprint:
        return None
    capture, findings, lines = entry.get("capture"), entry.get("findings"), entry.get("lines")
    if not isinstance(capture, dict) or not isinstance(findings, list) or not isinstance(lines, list):
        return None
    return Record(capture, findings, lines, str(entry.get("reading", "")))


def _named(record: Record, path: str) -> Record:
    """Return a record whose rows have the very path of its capture."""
    findings, lines = ([{**row, "path": path} for row in table] for table in (record.findings, record.lines))
    return Record({**record.capture, "path": path}, findings, lines, record.reading)


class Journal:
    """One line of JSON for each capture that is done.

    A line that was cut off, or is about another file by now, counts for nothing; what was unreadable is tried again.
    """

    def __init__(self, path: str, options: Options) -> None:
        self._path = path
        self._fingerprint = fingerprint(options)
        self._file: BinaryIO | None = None

    def done(self, tasks: list[Task]) -> dict[str, Record]:
        """Return the records of those captures that need not be examined again, by path."""
        wanted = {sound_text(task.path): task for task in tasks}  # as a line of JSON can hold it
        found: dict[str, Record] = {}
        for record in self._records():
            task = wanted.get(str(record.capture.get("path")))
            if task is not None and _as_it_was(record, task) and record.capture.get("status") == "examined":
                found[task.path] = _named(record, task.path)
        return found

    def _records(self) -> Iterator[Record]:
        try:
            if not os.path.isfile(self._path):
                return
            with open(self._path, encoding="ascii") as file:
                while line := file.readline(MAX_LINE_CHARS):
                    record = _read_line(line, self._fingerprint)
                    if record is not None:
                        yield record
        except (FileNotFoundError, UnicodeDecodeError):
            return

    def begin(self, kept: list[Record]) -> None:
        """Start the file anew with the records that stay. Raises OSError."""
        with whole_file(self._path) as out:
            out.writelines(self._line(record) for record in kept)
            if sys.platform != "win32":
                out.flush()
                self._file = buffered(os.dup(out.fileno()), self._path)  # the same file under its name: nobody can put another one there
        if sys.platform == "win32":  # a file that is open gets no other name there
            self._file = buffered(os.open(self._path, os.O_WRONLY | os.O_APPEND | BINARY), self._path)

    def add(self, record: Record) -> None:
        """Add a record; it is safe from then on. Raises OSError."""
        assert self._file is not None, "begin first"
        self._file.write(self._line(record))
        self._file.flush()

    def close(self) -> None:
        """Close the file. Raises OSError."""
        if self._file is not None:
            self._file.close()

    def _line(self, record: Record) -> bytes:
        return json_line({"fingerprint": self._fingerprint, **asdict(record)}).encode()
