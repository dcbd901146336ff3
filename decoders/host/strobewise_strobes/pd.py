"""Machine cycles by the control lines alone: what is read and written is not looked at."""

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

from strobewise.stream.pins import CHANNELS, P_ADDRESS
from strobewise.stream.plugin import CyclePlugin, channels_of


class Decoder(CyclePlugin, srd.Decoder):
    """Machine cycles without addresses and data."""

    srd = srd
    id = "strobewise_strobes"
    name = "Z80 strobes"
    longname = "Z80 machine cycles by the strobes alone"
    desc = "Machine cycles of a Z80 CPU by its control lines alone, in less time."
    optional_channels = channels_of(CHANNELS[:P_ADDRESS])
