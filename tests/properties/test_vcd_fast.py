"""The table-driven readers say exactly what the general one says, whatever the block size."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.capture import vcd, vcd_fast
from strobewise.capture.records import BitAssignment
from strobewise.errors import CaptureError

IDS = ["!", '"', "#", "0", "1", "b", "B", "R", "s", "$", "!!", "ab", "1b", "#1", "longid"]


def make_vcd(seed: int, vectors: bool, unknowns: bool, redundant: bool, long_ids: bool) -> tuple[str, list[BitAssignment]]:
    """Return a random capture and an assignment of all its bits."""
    rng = random.Random(seed)
    ids = rng.sample(IDS if long_ids else IDS[:10], rng.randint(1, 8))
    widths = [rng.choice([1, 1, 1, 2, 8, 16]) if vectors else 1 for _ in ids]
    lines = ["$timescale 1 ns $end"]
    lines += [f"$var wire {w} {i} n{k} $end" for k, (i, w) in enumerate(zip(ids, widths, strict=True))]
    lines += ["$enddefinitions $end", "#0"]
    state = {}

    def change(k: int) -> str:
        if widths[k] == 1 and rng.random() < 0.95:
            choice = rng.choice("01xz") if unknowns and rng.random() < 0.1 else None
            old = state.get(k, "0")
            new = choice or (old if redundant and rng.random() < 0.1 else ("1" if old != "1" else "0"))
            state[k] = new
            return f"{new}{ids[k]}"
        digits = "".join(rng.choice("01xz" if unknowns and rng.random() < 0.05 else "01") for _ in range(rng.randint(1, widths[k])))
        state[k] = digits if widths[k] == 1 else "0"
        return f"b{digits} {ids[k]}"

    lines += [change(k) for k in range(len(ids))]
    time = 0
    for _ in range(rng.randint(5, 200)):
        time += rng.choice([1, 3, 40, 250, 9999, 123456 if rng.random() < 0.1 else 7])
        changed = rng.sample(range(len(ids)), rng.randint(1, len(ids)))
        parts = [change(k) for k in changed]
        lines.append(f"#{time} {' '.join(parts)}" if rng.random() < 0.5 else "\n".join([f"#{time}", *parts]))
    lines.append(f"#{time + 50}")
    bits, target = [], 0
    for identifier, width in zip(ids, widths, strict=True):
        for position in range(width):
            if target < 64:
                bits.append(BitAssignment(identifier, position, target, rng.random() < 0.1))
                target += 1
    return "\n".join(lines) + "\n", bits


def read(path, bits, block_bytes):
    with vcd.VcdCapture(str(path), block_bytes) as capture:
        blocks = list(capture.blocks(bits))
        times = np.concatenate([b.times for b in blocks])
        words = np.concatenate([b.words for b in blocks])
        unknown = np.concatenate([np.zeros(len(b.times), np.uint64) if b.unknown is None else b.unknown for b in blocks])
        return times.tolist(), words.tolist(), unknown.tolist(), capture.channel_statistics(), capture.end_time


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("vcd") / "random.vcd"


@settings(max_examples=150, deadline=None)
@given(
    seed=st.integers(0, 1 << 30), vectors=st.booleans(), unknowns=st.booleans(), redundant=st.booleans(), long_ids=st.booleans(),
    block=st.sampled_from([64, 200, 1000, 1 << 18]),
)  # fmt: skip
def test_fast_readers_agree_with_the_general_one(scratch, seed, vectors, unknowns, redundant, long_ids, block):
    text, bits = make_vcd(seed, vectors, unknowns, redundant, long_ids)
    scratch.write_text(text)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vcd_fast, "EXACT_BLOCKS", 1 << 30)
        fast = read(scratch, bits, block)
    sampled = read(scratch, bits, block)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vcd, "read_fast", lambda *_: None)
        general = read(scratch, bits, 1 << 18)
    assert fast == general
    assert sampled[:3] == general[:3]
    for key, whole in general[3].items():
        part = sampled[3][key]
        assert part.edges == whole.edges
        assert 0 <= part.high_ticks <= part.known_ticks <= whole.known_ticks and part.high_ticks <= whole.high_ticks


def test_plain_blocks_are_read_by_the_table_driven_reader(scratch):
    """Without this the property above could pass with the general reader on both sides."""
    text, bits = make_vcd(3, vectors=False, unknowns=False, redundant=True, long_ids=False)
    scratch.write_text(text)
    seen = []
    original = vcd.read_fast

    def spy(*args):
        done = original(*args)
        seen.append(done is not None)
        return done

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vcd, "read_fast", spy)
        read(scratch, bits, 200)
    assert seen.count(True) > 0.5 * len(seen)


@pytest.mark.parametrize("bad", ["#12a4567", "2!", "1?", "#-5", "01!", "#12_3"])
def test_a_bad_word_in_a_plain_block_is_found(scratch, bad):
    lines = ["$timescale 1 ns $end", "$var wire 1 ! a $end", "$enddefinitions $end", "#1000000", "0!"]
    for k in range(1, 4000):
        lines.append(f"#{1000000 + 10 * k} {k % 2}!")
    lines.insert(3000, bad)
    scratch.write_text("\n".join(lines) + "\n")
    with pytest.raises(CaptureError) as caught:
        read(scratch, [BitAssignment("!", 0, 0)], 4096)
    assert caught.value.line == 3001
