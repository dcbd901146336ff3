"""A program that begins anew behind a pause, told by its bytes: after each pause come the same ones, which the program does not go on with.

With /RESET and the addresses not captured nothing else shows that the CPU was reset. A bus master makes pauses as well, behind which the
program goes on where it stood: so the last cycles before a pause are looked for elsewhere, and what follows on them there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..bus.model import KIND_INDEX
from ..cycles.table import CycleTable
from ..records.told import Anew

PAUSE_T = 12.0  #: T-states beyond the longest cycle without one: more than any instruction spends between two cycles (UM0080)
CYCLE_T = 8.0  #: T-states of a cycle that count as its own; what is longer waits, or was not followed by another one
ALIKE = 24  #: cycles behind a pause that must be alike, with the bytes that they carried
CONTEXT = 6  #: cycles before a pause by which its place in the program is known again
PAUSES_MOST = 200  #: looked at
FEWEST = 3  #: pauses followed by the same

_FETCH, _GRANT = KIND_INDEX["opcode_fetch"], KIND_INDEX["bus_granted"]
_JUMPS = frozenset({0x10, 0x18, 0x20, 0x28, 0x30, 0x38, 0x76, 0xC3, 0xC9, 0xCD, 0xE9})  #: DJNZ, JR, HALT, JP, RET, CALL, JP (HL)
_MAY_JUMP = frozenset({0xC0, 0xC2, 0xC4, 0xC7})  #: RET, JP and CALL on a condition, RST: the byte without its middle three bits

Int = npt.NDArray[np.int64]


def begins_anew(table: CycleTable, t_ticks: float, tick_s: float) -> Anew:
    """Return the pauses behind which the program begins anew. t_ticks: of a T-state, 0 where it is not known."""
    if not t_ticks or len(table) < FEWEST * ALIKE:
        return Anew()
    start = table.start.astype(np.int64)
    own = np.minimum(table.end[:-1].astype(np.int64), start[:-1] + int(CYCLE_T * t_ticks))
    quiet = (start[1:] - own > PAUSE_T * t_ticks) & (table.kind[:-1] != _GRANT) & (table.kind[1:] == _FETCH)
    pauses = (np.flatnonzero(quiet) + 1)[:PAUSES_MOST]
    keys = table.kind.astype(np.int64) << 9 | table.data.astype(np.int64) + 1
    groups: dict[bytes, list[int]] = {}
    for at in pauses.tolist():
        if CONTEXT <= at <= len(keys) - ALIKE:
            groups.setdefault(keys[at : at + ALIKE].tobytes(), []).append(at)
    alike = max(groups.values(), key=len, default=[])
    if len(alike) < FEWEST or not any(_leads_elsewhere(keys, at, pauses) for at in alike):
        return Anew()
    times = start[alike] * tick_s
    length = float(np.median((start[alike] - own[np.array(alike) - 1]) * tick_s))
    return Anew(tuple(times.tolist()), length, tuple(((keys[alike[0] : alike[0] + CONTEXT] & 511) - 1).tolist()))


def _leads_elsewhere(keys: Int, at: int, pauses: npt.NDArray[np.intp]) -> bool:
    """Say whether what comes before a pause is followed by something else wherever it comes without one."""
    context = keys[at - CONTEXT : at]
    windows = np.lib.stride_tricks.sliding_window_view(keys[:-1], CONTEXT)
    ends = np.flatnonzero((windows == context).all(axis=1)) + CONTEXT
    following = set(keys[np.setdiff1d(ends, pauses)].tolist())
    if not following or int(keys[at]) in following:
        return False
    operand = all(key >> 9 != _FETCH for key in following)  # the instruction was not done yet
    return operand or len(following) > 1 or not _may_jump(context)


def _may_jump(context: Int) -> bool:
    """Say whether the last instruction of these cycles may lead to more than one place."""
    fetched = [int(key & 511) - 1 for key in context if key >> 9 == _FETCH]
    if not fetched:
        return True
    last, prefix = fetched[-1], fetched[-2] if len(fetched) > 1 else 0
    if prefix in (0xCB, 0xED):
        return prefix == 0xED  # RETN, and those that repeat themselves
    return last in _JUMPS or (last & 0xC7) in _MAY_JUMP
