"""Rules for the expansion port: was the device asked properly, did it answer, did the host obey. Common practice (no published source).

They read ``evidence.pagings``, which are there when a profile declares a paging.
"""

from __future__ import annotations

from typing import Iterator, List

from ..bus.lines import ADDRESS, CONTROL, DATA, bar, pin_text
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.expansion import Trigger
from . import blame
from .base import ENOUGH_REQUESTS, Found, rule
from .grades import FAIR, HINT, LIKELY, STRONG
from .picture import LEAVE, PAGING, PUSHED, VISIT, Picture, done

NEEDS = (("MREQ", *ADDRESS),)  #: and the line of the profile's paging, whatever its name
SOME = 0.1  #: share of triggers without an answer from which a device that answers the others is intermittent
FEW_ZEROS = 10  #: bits of fewer addresses, each of which would show high half the time: one in a thousand by chance
SAME_CONTENT_MIN = 16  #: addresses that must read alike with the host's ROM on and asked off before it is said not to obey
ADDRESSES_SHOWN = 4  #: in a sentence; more of them nobody reads
STROBES, STRAYS = 0.5, 0.3  #: share of its requests in which /M1 is seen, and of the others: a strobe that does better reached the device at times
SAME_SHARE = 0.95  #: of the addresses: what differs are bytes that the device holds, too, by chance
BOTH_SHARE, MIXED_SHARE = 0.98, 0.3  #: of the addresses that lack no bit which two drivers could pull low, and of them those that show both
RUNNING_S = 1e-3  #: before the end in which the last request must lie: longer, the CPU stood still, and could not answer
ANSWERS_S = 5e-5  #: within which a CPU at 1 MHz answers an /NMI that it takes: one instruction and the response are 34 T-states at most (UM0080)


def _addresses(triggers: List[Trigger]) -> str:
    found = sorted({trigger.address for trigger in triggers})
    shown = ", ".join(f"{address:#06x}" for address in found[:ADDRESSES_SHOWN])
    return shown + (" ..." if len(found) > ADDRESSES_SHOWN else "")


def _connector(evidence: BusEvidence, name: str) -> str:
    pin = evidence.profile.connector_pin(name) if evidence.profile is not None else None
    return f" (connector pin {pin})" if pin else ""


@rule(
    "paging-not-triggered", "the expansion device never saw a fetch", "fault", needs=(("M1", "MREQ", *ADDRESS),), judges=("M1",),
    suspects=blame.NOT_TRIGGERED,
    looks_for="trigger addresses requested from memory while /M1 never strobed, and no answer from the device",
    causes="/M1 is dead at the CPU or does not reach the port: a device that pages on opcode fetches then never pages. The machine is at "
    "fault, not the device",
    next_step=f"scope {pin_text('M1')} at the CPU and /M1 at the edge connector: dead at both is the CPU, dead at the connector alone is the "
    "track or contact; try the device on a machine known to be good before blaming it",
    source="common practice",
    host="whole",
    picture=Picture(PAGING, VISIT, (done("dead-high", line="M1"),), machine="paged", long_t=21),
)  # fmt: skip
def paging_not_triggered(evidence: BusEvidence) -> Iterator[Found]:
    count = evidence.strobes.get("M1")
    for paging in evidence.pagings:
        blind = [trigger for trigger in paging.fresh if trigger.strobed is False and trigger.answer_s is None]
        if not blind or count is None or (count.hit > STROBES and count.false < STRAYS):
            continue
        suspects = blame.CPU_FIRST if evidence.probe_at.get("M1") == "connector" else None
        yield Found(
            f"{paging.name}: trigger address {_addresses(blind)} requested {len(blind)} times without /M1 and never answered on "
            f"{bar(paging.line)}: the device never saw a fetch, so the machine is at fault, not the device",
            ("M1",), len(blind), blind[0].time_s, blind[-1].time_s, suspects=suspects, confidence=STRONG,
        )  # fmt: skip


@rule(
    "paging-device-silent", "the expansion device does not answer", "fault", needs=NEEDS, judges=("ROMDIS",),
    suspects=blame.DEVICE_SILENT,
    looks_for="trigger addresses fetched with good /M1 and /MREQ, and no answer on the device's line",
    causes="the device, its supply, or its contact with the edge connector",
    next_step="clean the edge connector and reseat the device, check its supply; then try a device known to be good",
    source="common practice",
    host="whole",
    picture=Picture(PAGING, VISIT, (done("device-silent"),), machine="paged", long_t=21),
)  # fmt: skip
def paging_device_silent(evidence: BusEvidence) -> Iterator[Found]:
    for paging in evidence.pagings:
        asked = [trigger for trigger in paging.fresh if trigger.strobed is not False]
        silent = [trigger for trigger in asked if trigger.answer_s is None]
        if not silent:
            continue
        how = "with /M1 and /MREQ good" if asked[0].strobed else "(/M1 not captured)"
        if len(silent) == len(asked):
            text = f"{paging.name}: {_addresses(asked)} fetched {len(asked)} times {how}, never answered on {bar(paging.line)}"
            certain = evidence.has("M1")
            yield Found(
                f"{text}{_connector(evidence, paging.line)} within {paging.within_t} T-states", (paging.line,), len(silent),
                silent[0].time_s, silent[-1].time_s, severity="fault" if certain else "warning", confidence=STRONG if len(asked) >= 2 else FAIR,
            )  # fmt: skip
        elif len(silent) >= 2 and len(silent) >= SOME * len(asked):
            yield Found(
                f"{paging.name}: {len(silent)} of {len(asked)} triggers {how} not answered on {bar(paging.line)} within {paging.within_t} "
                f"T-states, the first at {time_words(silent[0].time_s)}",
                (paging.line,), len(silent), silent[0].time_s, silent[-1].time_s,
                suspects=blame.DEVICE_SOMETIMES, confidence=LIKELY,
            )  # fmt: skip


@rule(
    "paging-not-released", "the expansion device does not let go", "fault", needs=NEEDS, judges=("ROMDIS",),
    suspects=blame.NOT_RELEASED,
    looks_for="fetches in the release range after which the device's line stays active, or a line that goes inactive with no such fetch",
    causes="the device's address decoding, or an address line that does not reach it", source="common practice",
    next_step="check the device's address lines for continuity; try a device known to be good",
    host="whole",
    picture=Picture(PAGING, LEAVE, (done("device-never-leaves"),), machine="paged", long_t=33),
)  # fmt: skip
def paging_not_released(evidence: BusEvidence) -> Iterator[Found]:
    for paging in evidence.pagings:
        if paging.not_released > paging.released:
            fetches = f"{paging.not_released} fetches" if paging.not_released > 1 else "the one fetch"
            yield Found(
                f"{paging.name}: {bar(paging.line)} stayed active after {fetches} that should release it", (paging.line,),
                paging.not_released, confidence=LIKELY if paging.not_released > 1 else HINT,
            )  # fmt: skip
        reset = evidence.line("RESET")
        undisturbed = evidence.has("RESET") and reset.assertions == reset.asserted_first  # a reset makes it let go as well
        if paging.let_go_alone >= (1 if undisturbed else 2) and paging.let_go_alone > paging.released:
            times = "once" if paging.let_go_alone == 1 else f"{paging.let_go_alone} times"
            yield Found(
                f"{paging.name}: {bar(paging.line)} went inactive {times} with no fetch that releases it, first at "
                f"{time_words(paging.let_go_alone_s)}",
                (paging.line,), paging.let_go_alone, paging.let_go_alone_s, severity="warning", confidence=HINT,
            )  # fmt: skip


@rule(
    "rom-disable-not-obeyed", "the host's ROM does not switch off", "fault", needs=(("MREQ", *ADDRESS, *DATA),), judges=("ROMDIS",),
    suspects=blame.ROM_STAYS_ON,
    looks_for="addresses that read the same, or mixed with the device's bytes, while the device asks for the host's ROM to be off",
    causes="the ROM-disable line does not reach the ROM's enable pin: track, edge contact, the gate between them",
    next_step="trace the ROM-disable line from the edge connector to the ROM's enable pin", source="common practice",
    host=None,
    picture=Picture(PAGING, VISIT, (done("rom-disable-ignored"),), machine="paged", long_t=21),
)  # fmt: skip
def rom_disable_not_obeyed(evidence: BusEvidence) -> Iterator[Found]:
    for paging in evidence.pagings:
        n = paging.compared_content
        if not any(trigger.answer_s for trigger in paging.fresh):
            continue
        if n < SAME_CONTENT_MIN:
            if paging.mixed_content and paging.same_content + paging.mixed_content == n and paging.mixed_zeros >= FEW_ZEROS:
                yield Found(
                    f"{paging.name}: {n} address{'es' if n > 1 else ''} read with {bar(paging.line)} active show none of the {paging.mixed_zeros} bits "
                    "that the host's ROM has low: both ROMs seem to drive the bus", (paging.line,), n, severity="warning", confidence=HINT,
                )  # fmt: skip
            continue
        if paging.same_content >= SAME_SHARE * n:
            text = f"{paging.same_content} of {n} addresses read the same with {bar(paging.line)} active and inactive: the host's ROM still answers"
        elif paging.same_content + paging.mixed_content >= BOTH_SHARE * n and paging.mixed_content >= MIXED_SHARE * n:
            text = f"{n} addresses read with {bar(paging.line)} active never show a bit that the host's ROM has low: both ROMs drive the bus"
        else:
            continue
        yield Found(f"{paging.name}: {text}", (paging.line,), n, confidence=STRONG)


@rule(
    "nmi-not-answered", "/NMI without a response", "fault", needs=(("NMI", "MREQ", *ADDRESS),), judges=("NMI",),
    suspects=blame.NMI_UNANSWERED,
    looks_for="falling edges of /NMI after which the CPU does not go to 0066h",
    causes="the CPU's NMI input, its joint, or a pulse that does not reach the pin",
    next_step=f"scope {pin_text('NMI')} at the CPU itself while the button is pressed", source="UM0080, interrupt response",
    host=None,
    picture=Picture(("NMI", "M1", "MREQ", "A"), PUSHED, (done("dead-high", line="NMI", at="cpu"),), by_time=True,
        machine="nmi-pressed", long_t=33),
)  # fmt: skip
def nmi_not_answered(evidence: BusEvidence) -> Iterator[Found]:
    asked = evidence.line("NMI").assertions - evidence.line("NMI").asserted_first
    answered = evidence.notes.get("nmi_response", 0)
    running = evidence.last_request_s is not None and evidence.end_s - evidence.last_request_s < RUNNING_S
    if any(evidence.line(name).known_fraction < 1.0 for name in (*CONTROL, *ADDRESS, *DATA) if name in evidence.captured):
        return  # a response shows on all of them
    if asked >= 1 and not answered and running and evidence.requests >= ENOUGH_REQUESTS and not evidence.line("RESET").asserted_last:
        span = evidence.line("NMI").longest
        near_end = span is not None and evidence.end_s - span.start_s < ANSWERS_S
        if span is not None and not near_end:
            yield Found(f"/NMI fell {asked} times and the CPU never went to 0x0066", ("NMI",), asked, span.start_s, span.end_s,
                        severity="fault" if asked >= 2 else "warning", confidence=FAIR)  # fmt: skip
