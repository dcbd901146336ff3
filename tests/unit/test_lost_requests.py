"""Fetches that show by /M1 or /RFSH alone, while /MREQ does not come."""

from __future__ import annotations

import pytest
from hand_made import evidence_of

from strobewise.evidence.lost_requests import add_lost_requests
from strobewise.records.evidence import PATTERNS, REFRESH_CLASS, LineEvidence, StrobeCount


def seen(pulses: int, requests: int, *, name: str = "M1", shortest_t: float = 1.9):
    """Return the evidence of a capture of /M1 (or /RFSH) and /MREQ, with so many pulses, and so many fetches with their refresh."""
    evidence = evidence_of()
    evidence.captured = frozenset((name, "MREQ"))
    evidence.strobes = {name: StrobeCount(requests, requests, requests, 0), "MREQ": StrobeCount(2 * requests, 2 * requests, 0, 0)}
    evidence.histogram = [[0] * PATTERNS for _ in evidence.histogram]
    evidence.histogram[REFRESH_CLASS][2] = requests
    evidence.lines = {
        name: LineEvidence(name, edges=2 * pulses, shortest_pulse_s=shortest_t / (evidence.clock.hz or 1.0)),
        "MREQ": LineEvidence("MREQ", edges=4 * requests),
    }
    evidence.samples_per_t = 8.0
    return evidence


@pytest.mark.parametrize("name", ["M1", "RFSH"])
@pytest.mark.parametrize(("pulses", "requests", "lost"), [(57, 33, 24), (57, 50, 0), (57, 49, 8), (400, 385, 0), (15, 5, 0)])
def test_pulses_without_a_request_call_for_mreq(name, pulses, requests, lost):
    evidence = seen(pulses, requests, name=name)
    add_lost_requests(evidence)
    assert evidence.strobes["MREQ"].expected == 2 * (requests + lost)


def test_spikes_too_few_samples_and_x_prove_nothing():
    for change in ("spikes", "coarse", "x", "rd"):
        evidence = seen(57, 33, shortest_t=0.5 if change == "spikes" else 1.9)
        if change == "coarse":
            evidence.samples_per_t = 2.0
        if change == "x":
            evidence.lines["M1"].known_fraction = 0.9
        if change == "rd":
            evidence.captured |= {"RD"}
        add_lost_requests(evidence)
        assert evidence.strobes["MREQ"].expected == 66, change
