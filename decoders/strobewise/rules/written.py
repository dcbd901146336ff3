"""What the CPU writes, held against its program: a data line that is low where the byte calls for it to be high."""

from __future__ import annotations

from ..records.evidence import BusEvidence

LOW_MIN = 6  #: written bytes with a line low that should be high: as many at one level by chance are one case in 64
HIGH_SHARE = 0.15  #: as many the other way for each, in which the program may be wrong twice; a line that another one pulls has none


def written_low(evidence: BusEvidence, line: str) -> bool:
    """Say whether return addresses, or other bytes that the program gives, are written with a data line low that should be high.

    That is what another line that pulls it low does, and a dead output as well: what tells them is whether the two ever differ.
    """
    bit = int(line[1:])
    buses, prediction = evidence.buses, evidence.prediction
    counts = [] if buses is None else [(buses.pushes.ones_lost[bit], buses.pushes.zeros_lost[bit])]
    if prediction is not None and prediction.written:
        counts.append((prediction.written[bit].ones_lost, prediction.written[bit].zeros_lost))
    return any(low >= LOW_MIN and high <= HIGH_SHARE * low for low, high in counts)
