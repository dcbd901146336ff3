"""A survey on a Dask cluster: the same work where an archive outgrows one machine."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Sequence
from typing import Any
from urllib.parse import urlsplit

from ..errors import ComponentMissing, StrobewiseError
from ..profile.options import Options
from .record import CRASHED, Record, Task, examine_task, unreadable

CONNECT_S = 5


def run_cluster(tasks: Sequence[Task], options: Options, scheduler: str) -> Iterator[Record]:
    """Yield the records as they come, in any order.

    The workers must see the folder under the same path and have strobewise installed. What a worker was doing when it died is given to
    another one; a capture that kills several of them is given up. Raises ComponentMissing, StrobewiseError.
    """
    try:
        from distributed import Client, as_completed
        from distributed.scheduler import KilledWorker
    except ModuleNotFoundError as missing:
        remedy = 'pip install "strobewise[cluster]", or leave --scheduler out'
        raise ComponentMissing("a cluster needs dask", f"--scheduler {scheduler}", remedy) from missing
    client = _connect(Client, scheduler)
    with client:
        shared = client.scatter(options, broadcast=True, hash=False)
        futures = {client.submit(examine_task, task, shared, pure=False): task for task in tasks}
        for future in as_completed(list(futures), loop=client.loop):  # type: ignore[no-untyped-call]
            task = futures.pop(future)
            error = future.exception()
            if error is None:
                yield future.result()
            elif isinstance(error, KilledWorker):
                yield unreadable(task, f"{CRASHED} ({task.path})")
            else:
                remedy = "look at the cluster, then give the same command again: what is done stays done"
                raise StrobewiseError(f"the cluster gave up: {error}", f"--scheduler {scheduler}", remedy)
            future.release()


def _connect(client: Any, scheduler: str) -> Any:
    where, remedy = f"--scheduler {scheduler}", "start dask scheduler and dask worker, and give the address it prints"
    try:
        address = urlsplit(scheduler if "://" in scheduler else f"tcp://{scheduler}")
        host, port = address.hostname, address.port
    except ValueError:
        host = port = None
    if not host or port is None:
        raise StrobewiseError("this is no address of a scheduler", where, "write it as tcp://bench:8786")
    try:
        # Knock first: a client that has failed to connect says so once more, at length, when the program ends.
        socket.create_connection((host, port), CONNECT_S).close()
        return client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise StrobewiseError(f"no cluster answers: {error}", where, remedy) from None
