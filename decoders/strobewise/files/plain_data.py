"""The types of plain data that crosses the border of the program: what TOML holds, and what JSON is told."""

from __future__ import annotations

from typing import Dict, Mapping, Sequence, Union

Toml = object  #: a value of a TOML document as it was read; whoever takes its key narrows it, see profile.fields
#: A value that is about to become JSON (RFC 8259): never read again, so that a tuple or a list of texts is one, too.
Json = Union[None, str, int, float, bool, Sequence["Json"], Mapping[str, "Json"]]
Document = Dict[str, Json]  #: a JSON object on its way out
