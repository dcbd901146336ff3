"""What the owner of a machine tells of it, and which parts that makes suspect. Weights and triggers are common practice."""

from __future__ import annotations

from typing import Mapping, NamedTuple, Optional, Tuple

from ..bus.model import SUSPECTS, Suspect


class Symptom(NamedTuple):
    """What the machine does, and what that makes suspect."""

    name: str
    words: str
    weights: Mapping[Suspect, float]  #: suspect -> how much it comes into question, 0..1
    lines: Tuple[str, ...]  #: lines that the symptom itself speaks of
    triggers: Tuple[Tuple[str, str], ...]  #: (line, edge) to trigger on, the best first; none that a healthy machine meets all the time
    without_trigger: str
    duration_s: float
    free_run: bool
    late: bool = False  #: it fails after a while only, so that one short capture is likely to miss it


_POWER_ON = "no trigger: start the capture, then switch the machine on"
_WHILE = "no trigger: start the capture while it happens"

SYMPTOMS: Tuple[Symptom, ...] = (
    Symptom(
        "dead", "nothing happens, or the screen stays blank",
        {"cpu": 1.0, "clock": 1.0, "reset": 1.0, "supply": 0.6, "rom": 0.9, "glue": 0.6, "data_bus": 0.6, "address_bus": 0.5,
         "connection": 0.4, "expansion_device": 0.4, "ram": 0.3, "program": 0.4},
        (), (("RESET", "rising"), ("M1", "falling"), ("MREQ", "falling")), _POWER_ON, 0.05, True,
    ),
    Symptom(
        "resets", "it starts again and again",
        {"reset": 1.0, "supply": 1.0, "expansion_device": 0.8, "program": 0.3, "cpu": 0.3, "clock": 0.2, "ram": 0.3, "rom": 0.3},
        ("RESET", "NMI"), (("RESET", "falling"),), _WHILE, 2.0, False,
    ),
    Symptom(
        "ignores-expansion", "it runs, but what is plugged into the expansion port does not appear",
        {"expansion_device": 1.0, "connection": 1.0, "cpu": 0.6, "glue": 0.5, "program": 0.1},
        ("M1", "ROMDIS", "NMI", "IORQ"), (("RESET", "rising"), ("NMI", "falling"), ("ROMDIS", "rising")),
        "no trigger: start the capture, then press the device's button or reset the machine", 0.05, False,
    ),
    Symptom(
        "dies-warm", "it works cold and fails after some minutes",
        {"cpu": 0.8, "ram": 1.0, "rom": 0.5, "clock": 0.6, "supply": 0.5, "connection": 0.8, "glue": 0.4, "reset": 0.5, "data_bus": 0.5,
         "address_bus": 0.5, "program": 0.3},
        ("RESET", "HALT"), (("RESET", "falling"),),
        "no trigger: capture when it has failed, and once cold for comparison", 0.2, False, True,
    ),
    Symptom(
        "memory-size", "it finds less memory than is fitted",
        {"ram": 1.0, "address_bus": 0.8, "data_bus": 0.8, "glue": 0.7, "connection": 0.3},
        (), (("RESET", "rising"),), _POWER_ON, 1.0, False,
    ),
    Symptom(
        "garbage", "garbage on the screen, or it crashes at once",
        {"ram": 1.0, "rom": 1.0, "data_bus": 1.0, "address_bus": 0.9, "glue": 0.6, "cpu": 0.5, "connection": 0.4,
         "clock": 0.2, "reset": 0.2},
        (), (("RESET", "rising"), ("M1", "falling")), _POWER_ON, 0.1, True,
    ),
    Symptom(
        "hangs", "it starts and then stops answering",
        {"program": 1.0, "glue": 0.9, "cpu": 0.7, "expansion_device": 0.7, "ram": 0.6, "rom": 0.5, "clock": 0.6, "reset": 0.3,
         "connection": 0.3},
        ("WAIT", "BUSREQ", "BUSACK", "HALT", "INT"), (),
        "no trigger: start the capture before it hangs, and let it run into it", 0.5, False,
    ),
)  # fmt: skip
UNKNOWN = Symptom("unknown", "no symptom given", dict.fromkeys(SUSPECTS, 0.7), (), (("RESET", "rising"),), _POWER_ON, 0.1, True)


def find_symptom(name: str) -> Optional[Symptom]:
    """Return the symptom with this name, or None."""
    return next((symptom for symptom in (*SYMPTOMS, UNKNOWN) if symptom.name == name), None)
