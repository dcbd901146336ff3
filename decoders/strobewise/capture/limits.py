"""Limits of what a capture file may ask for: a hostile or broken file costs bounded time and memory.

Every limit is far beyond what a bench capture needs (a few dozen channels); a file that passes one is refused with
a sentence that names the limit. The size of the file itself and the length of a capture have no limit.
"""

from __future__ import annotations

MAX_HEADER_BYTES = 8 << 20  #: declarations up to and including $enddefinitions
MAX_CHANNELS = 65_536  #: $var declarations
MAX_WIDTH = 65_536  #: bits of one vector; IEEE 1364-2005 asks tools for at least this (from memory)
MAX_TOTAL_BITS = 1 << 20  #: bits of all channels together
MAX_NAME_BYTES = 1_024  #: a reference name, and a whole scope path
MAX_SCOPE_DEPTH = 256  #: $scope inside $scope
MAX_CODE_BYTES = 1_024  #: an identifier code
MAX_WORD_BYTES = 128 << 10  #: one word of the body: room for the widest vector
MAX_TIME = 4 * 10**18  #: ticks: more than an hour of femtoseconds. Times are int64, and the engine calls 2**62 never
MAX_CSV_COLUMNS = 64  #: columns of a scope's CSV
MAX_CSV_LINE_BYTES = 64 << 10  #: one line of a scope's CSV

BLOCK_BYTES = 256 << 10  #: text read at once: larger blocks fall out of the cache and are slower
