"""The machine's profile inside a case: copied with the ROM images that it names, so that the folder says it all."""

from __future__ import annotations

import hashlib
from pathlib import Path

import tomlkit

from ..files.names import named_in
from ..files.writing import copy_whole, whole_file
from ..profile.machine import find_profile, load_profile
from ..records.profile import Profile
from .sheet import PROFILE


def copy_profile(profile: str | Path, folder: Path) -> Profile:
    """Copy a profile, and the images that it names, into a case. Raises ProfileError, OSError."""
    source = find_profile(str(profile))
    load_profile(source)  # says what is wrong before anything is written
    target = folder / PROFILE
    target.parent.mkdir(exist_ok=True)
    document = tomlkit.parse(source.read_text(encoding="utf-8-sig"))
    taken = {target.name.casefold()}  # an image of that name must not take the profile's place
    for table in document.get("memory", ()):
        if "file" in table:
            image = Path(named_in(source, str(table["file"])))
            name, count = image.name, 1
            while name.casefold() in taken:
                count += 1
                name = f"{count}-{image.name}"
            taken.add(name.casefold())
            copy_whole(str(image), str(target.parent / name))
            table["file"] = name
    with whole_file(str(target)) as out:
        out.write(tomlkit.dumps(document).encode("utf-8"))
    return load_profile(target)


def without_images(text: str, folder: Path) -> str:
    """Return a profile's text with a digest in place of each image that it names."""
    document = tomlkit.parse(text)
    for table in document.get("memory", ()):
        if "file" in table:
            name = str(table.pop("file"))
            digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
            table.add(tomlkit.comment(f"its contents, {name}, are left out: SHA-256 {digest}"))
    return tomlkit.dumps(document)
