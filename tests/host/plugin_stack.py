"""Runs the three plug-ins, stacked, over pin changes in a capture host of a few lines, and prints all that they put.

Usage: PYTHON plugin_stack.py < CHANGES.json, with {"folders": [...], "rate": HZ, "end": SAMPLE, "changes": [[sample, [pins]], ...]}.
Standard library and an old Python's syntax alone: the host brings its own Python, and this is run under the oldest one at hand.
"""

from __future__ import annotations

import importlib
import json
import sys
import types
from typing import Any


class BareDecoder:
    """What the host gives every decoder: outputs that are numbered, and a way to put something on one."""

    def register(self, kind: Any, **_: Any) -> Any:
        return kind

    def put(self, start: int, end: int, output: str, data: Any) -> None:
        if output == "python":
            for upper in self.uppers:
                upper.decode(start, end, data)
        else:
            self.shown.append((type(self).id, start, end, output, data))


def host_module() -> types.ModuleType:
    """Return the module that plug-ins import from the host."""
    module = types.ModuleType("sigrokdecode")
    members = {"Decoder": BareDecoder, "OUTPUT_ANN": "ann", "OUTPUT_PYTHON": "python", "OUTPUT_BINARY": "binary", "OUTPUT_META": "meta"}
    for name, value in {**members, "SRD_CONF_SAMPLERATE": "rate"}.items():
        setattr(module, name, value)
    return module


def stack(shown: list[tuple[Any, ...]], rate: int, wait: Any) -> Any:
    """Return the lowest plug-in with the other two on it, started as the host does."""
    made = []
    for name in ("strobewise_cycles", "strobewise_instructions", "strobewise_faults"):
        one = importlib.import_module(name).Decoder()
        one.options = {option["id"]: option["default"] for option in getattr(type(one), "options", ())}
        one.shown, one.uppers = shown, []
        if hasattr(one, "metadata"):
            one.metadata("rate", rate)
        one.start()
        made.append(one)
    made[0].uppers, made[0].wait = made[1:], wait
    return made[0]


def main() -> int:
    given = json.load(sys.stdin)
    sys.path[:0] = given["folders"]
    for name in ("numpy", "bitarray"):
        sys.modules[name] = None  # type: ignore[assignment]  # whoever imports it fails
    sys.modules["sigrokdecode"] = host_module()
    from fake_host import FakeHost

    host = FakeHost([(sample, tuple(pins)) for sample, pins in given["changes"]], given["end"])
    shown: list[tuple[Any, ...]] = []
    lowest = stack(shown, given["rate"], None)

    def wait(conditions: Any = None) -> Any:
        pins = host.wait(conditions)
        lowest.samplenum, lowest.matched = host.samplenum, host.matched
        return pins

    lowest.samplenum, lowest.matched, lowest.wait = -1, (True,), wait
    try:
        lowest.decode()
    except SystemError:  # the end of the capture
        pass
    for plugin, start, end, output, data in shown:
        print(json.dumps([plugin, start, end, output, data], default=lambda raw: raw.hex()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
