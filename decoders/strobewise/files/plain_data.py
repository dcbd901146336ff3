"""Plain data that crosses the border of the program: the types of TOML and JSON, and text as both can hold it."""

from __future__ import annotations

import json
from typing import Dict, Mapping, Sequence, Union

from ..errors import UsageError

Toml = object  #: a value of a TOML document as it was read; whoever takes its key narrows it, see profile.fields
#: A value that is about to become JSON (RFC 8259): never read again, so that a tuple or a list of texts is one, too.
Json = Union[None, str, int, float, bool, Sequence["Json"], Mapping[str, "Json"]]
Document = Dict[str, Json]  #: a JSON object on its way out


def sound_text(text: str) -> str:
    """Return text in which bytes of a file name that are no text are visible escapes.

    A lone surrogate, as Python has for them, is none of the characters that JSON text may hold (RFC 8259, section 8.2, from memory).
    """
    return text if text.isascii() else text.encode("utf-8", "backslashreplace").decode()


def sound(value: Json) -> Json:
    """Return a value whose texts are sound, keys among them."""
    if isinstance(value, str):
        return sound_text(value)
    if isinstance(value, dict):
        return {sound_text(key): sound(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [sound(inner) for inner in value]
    return value


def json_line(document: Json) -> str:
    """Return a document as JSON on one line, with a line feed at its end."""
    return json.dumps(sound(document), ensure_ascii=True) + "\n"


def toml_string(text: str) -> str:
    """Return text as a basic string of TOML (toml.io, 1.0.0).

    JSON writes the same, but a pair of surrogates is no escape there, and DEL needs one.
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def toml_bytes(text: str, where: str) -> bytes:
    """Return TOML as the bytes of its file. where: the file or option, for errors. Raises UsageError for a name whose bytes are no text."""
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError:
        raise UsageError("a name has bytes that are no UTF-8 text, TOML cannot hold it", where, "give it a name of UTF-8 text") from None
