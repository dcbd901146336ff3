"""Waveform files of logic simulators (FST), read by a general-purpose library where it is installed."""

#: How a file begins: the kind of its first block, which is the header's, and the length of that, 329 (fstapi.h, FST_BL_HDR).
MAGIC = b"\0" + (329).to_bytes(8, "big")
