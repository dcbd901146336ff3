"""Host samples in, machine cycles out. What the bus means, and how the host is spoken with, is in the engine."""

from __future__ import annotations

import os
import sys

import sigrokdecode as srd

_here = os.path.dirname(os.path.realpath(__file__))
for _folder in (_here, os.path.dirname(os.path.dirname(_here))):
    if os.path.isdir(os.path.join(_folder, "strobewise")):
        if _folder not in sys.path:
            sys.path.append(_folder)
        break

from strobewise.stream.pins import CHANNELS
from strobewise.stream.plugin import CyclePlugin, channels_of


class Decoder(CyclePlugin, srd.Decoder):
    """Machine cycles."""

    srd = srd
    id = "strobewise_cycles"
    name = "Z80 cycles"
    longname = "Z80 machine cycles"
    desc = "Machine cycles of a Z80 CPU, even when a strobe is dead."
    optional_channels = channels_of(CHANNELS)
