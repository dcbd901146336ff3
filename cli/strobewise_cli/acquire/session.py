"""One record from the device to the verdict, and bursts of records until something fails."""

from __future__ import annotations

import dataclasses
import gzip
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from typing import NamedTuple

from strobewise.diagnosis.facade import Diagnosis, diagnose
from strobewise.files.names import map_path
from strobewise.files.writing import named_errors, own_folder, take_name
from strobewise.profile.options import Options
from strobewise_cli.acquire.arrival import arrived, lead_troubles
from strobewise_cli.acquire.host import record
from strobewise_cli.acquire.plan import Plan, map_of
from strobewise_cli.output import open_output

PACKED = ".gz"
CHECK_S = 0.01  #: length of a look at the leads
KEPT_AT_MOST = 100  #: failing bursts, so that a machine that fails for good does not fill the disk


class Taken(NamedTuple):
    """A record that was taken and judged."""

    path: str  #: where it is kept; empty where it is not
    diagnosis: Diagnosis
    remarks: tuple[str, ...]  #: what is not as it was asked for

    @property
    def failed(self) -> bool:
        """Whether a fault was found."""
        return self.diagnosis.verdict.state == "fault"


def take(driver: str, plan: Plan, options: Options, target: str) -> Taken:
    """Record into a file, with its map beside it, and judge it. Raises StrobewiseError, OSError.

    target: a name with ``.gz`` is packed. File and map appear whole or not at all.
    """
    with own_folder(os.path.dirname(os.path.realpath(target))) as folder:
        return _keep(_record(driver, plan, options, os.path.join(folder, os.path.basename(target))), plan, options, target)


def look_at_leads(driver: str, plan: Plan, options: Options) -> tuple[Diagnosis, list[str]]:
    """Record CHECK_S without waiting for a trigger, and return what it shows and why it may be wrong; nothing is kept."""
    with tempfile.TemporaryDirectory(prefix="strobewise-") as folder:
        short = plan._replace(samples=max(1, round(CHECK_S * plan.rate_hz)), trigger=None)
        taken = _record(driver, short, options, os.path.join(folder, "leads.vcd"))
        return taken.diagnosis, [*lead_troubles(taken.diagnosis, short), *taken.remarks]


def bursts(driver: str, plan: Plan, options: Options, target: str, seconds: float | None, until_fault: bool) -> Iterator[Taken]:
    """Record again and again, and judge each; one that fails is kept beside the target, with a number in its name.

    seconds: after which no further burst begins; None: none is the last. until_fault: the first that fails is the last.
    When none has failed, the last one is kept as the target itself: a good capture of this machine. Raises StrobewiseError, OSError.
    """
    begun, failed, kept = time.monotonic(), 0, 0
    with own_folder(os.path.dirname(os.path.realpath(target))) as folder:
        while True:
            taken = _record(driver, plan, options, os.path.join(folder, os.path.basename(target)))
            over = seconds is not None and time.monotonic() - begun >= seconds
            if taken.failed:
                failed += 1
                over = over or until_fault
                if kept < KEPT_AT_MOST:
                    kept += 1
                    taken = _keep(taken, plan, options, numbered(target, kept))
            elif over and not failed:
                taken = _keep(taken, plan, options, target)
            yield taken if os.path.dirname(taken.path) != folder else taken._replace(path="")
            if over:
                return


def numbered(target: str, number: int) -> str:
    """Return the name of a failing burst: warm.vcd.gz becomes warm-0001.vcd.gz."""
    folder, name = os.path.split(target)
    stem, dot, endings = name.partition(".")
    return os.path.join(folder, f"{stem}-{number:04d}{dot}{endings}")


def _record(driver: str, plan: Plan, options: Options, path: str) -> Taken:
    """Record to a place of our own and judge it there."""
    plain = path.removesuffix(PACKED)
    trigger = next(((plan.name(lead), plan.trigger[1]) for lead in plan.leads if plan.trigger and lead.line == plan.trigger[0]), None)
    said = record(driver, {lead.channel: plan.name(lead) for lead in plan.leads}, plan.rate_hz, plan.samples, plain, trigger)
    diagnosis = diagnose([plain], judged_with(options, plan))
    remarks = arrived(plain, diagnosis, plan, said)
    if path != plain:
        with open(plain, "rb") as source, gzip.GzipFile(path, "wb", 6, mtime=0) as packed:
            shutil.copyfileobj(source, packed)
    return Taken(path, diagnosis, tuple(remarks))


def _keep(taken: Taken, plan: Plan, options: Options, target: str) -> Taken:
    """Give a record its name, its map beside it: where the record cannot have it, the map of what stands there stays, too."""
    with open_output(map_path(target), "w", confirm=False) as out:
        out.write(map_of(plan, options.probe_at))
        with named_errors(target):
            take_name(taken.path, os.path.realpath(target))  # a link stays a link
    captures = tuple(dataclasses.replace(examined, path=target) for examined in taken.diagnosis.captures)
    return taken._replace(path=target, diagnosis=dataclasses.replace(taken.diagnosis, captures=captures))


def judged_with(options: Options, plan: Plan) -> Options:
    """Return what the engine is told of a record: which channel is which line, inverted probes among them."""
    maps = tuple(f"{lead.line}={'!' if lead.inverted else ''}{plan.name(lead)}" for lead in plan.leads)
    return dataclasses.replace(options, maps=maps, map_file=None)
