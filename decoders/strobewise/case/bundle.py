"""A case as one zip file to share: the sheet, the captures and their maps, and digests in place of what the ROMs hold."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

from ..errors import UsageError
from ..files.names import map_path
from ..files.reading import is_stream
from .machine_files import without_images
from .records import Case
from .sheet import PROFILE, SHEET, sheet_text

EPOCH = (1980, 1, 1, 0, 0, 0)  #: the earliest date that a zip file can hold: equal cases give equal files
READ_ME = """This is a case of strobewise: unpack it and run strobewise case show FOLDER.

What the ROMs hold was left out, digests stand in its place. A capture with data lines still shows the bytes that the machine read.
"""


def bundle(case: Case) -> bytes:
    """Return the zip file. Raises UsageError for a file that is a link out of the case, OSError."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        _put(archive, "README.txt", READ_ME.encode())
        _put(archive, SHEET, sheet_text(case).encode())
        profile = case.folder / PROFILE
        if profile.is_file():
            _put(archive, PROFILE, without_images(_own(case, profile).read_text(encoding="utf-8"), profile.parent).encode())
        for item in case.items:
            if item.file is not None:
                path = case.path(item)
                _put(archive, item.file, _own(case, path).read_bytes())
                beside = Path(map_path(path))
                if beside.is_file():
                    _put(archive, map_path(item.file), _own(case, beside).read_bytes())
    return packed.getvalue()


def _own(case: Case, path: Path) -> Path:
    """Return a file of the case. Raises UsageError for a link or a pipe: a case from elsewhere may bring some to what is nobody's."""
    if is_stream(path):
        raise UsageError("this is no plain file", str(path), "put the file itself in its place")
    if not path.resolve().is_relative_to(case.folder.resolve()):
        raise UsageError("a link leads out of the case", str(path), "put the file itself in its place")
    return path


def _put(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    info = zipfile.ZipInfo(name, EPOCH)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    archive.writestr(info, content)
