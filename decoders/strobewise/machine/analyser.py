"""The logic analyser: it samples levels at its own rate and phase, with each lead's skew, and has weaknesses of its own."""

from __future__ import annotations

import random
from typing import Dict, Iterable, Iterator, List, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import ADDRESS_MASK, BIT, MASK
from ..bus.units import FS_PER_S, NEVER
from .waveform import NoiseFilter, Timed

BOUNCE_MISSES = 0.5  #: of the moments at which the ground could bounce: all would be a rhythm, which the bench does not show (our choice)


class Lead(NamedTuple):
    """What is wrong with one lead."""

    line: str
    defect: str  #: "off", "high", "low", "inverted"


class Skew(NamedTuple):
    """How much later than the truth a channel sees an edge, picoseconds."""

    rise: int
    fall: int


class Settings(NamedTuple):
    """All that the analyser does to the levels."""

    lines: Tuple[str, ...]  #: captured lines
    sample_hz: int
    start: int  #: picoseconds since power-on of the first sample, phase included
    samples: int
    skews: Dict[str, Skew]
    leads: Tuple[Lead, ...] = ()
    swapped: Tuple[Tuple[str, str], ...] = ()  #: labels whose leads sit on each other's line
    glitches_per_s: float = 0.0  #: one-sample spikes on any channel
    bounce: int = 0  #: address bits that must move at once to make the ground bounce; 0: it does not
    gaps: Tuple[Tuple[int, int], ...] = ()  #: samples from, to, that were lost
    gaps_close: bool = False  #: True: the file's time runs on as if the lost samples had not been


class Analyser:
    """Turns the pins' waveform into sampled words."""

    def __init__(self, settings: Settings, rng: random.Random) -> None:
        self.settings = settings
        self.rng = rng
        self.period = round(FS_PER_S / settings.sample_hz)  # femtoseconds
        self.mask = sum(1 << BIT[name] for name in settings.lines)
        self._rise: Dict[int, int] = {}
        self._fall: Dict[int, int] = {}
        longest = 0
        for name in settings.lines:
            skew = settings.skews.get(name, Skew(0, 0))
            # A change shows in the first sample at or after it.
            self._rise[MASK[name]] = (skew.rise - settings.start) * 1000 + self.period - 1
            self._fall[MASK[name]] = (skew.fall - settings.start) * 1000 + self.period - 1
            longest = max(longest, skew.rise, skew.fall)
        self._margin = longest * 1000 // self.period + 4
        self._last = 0
        self._bits: Dict[int, Tuple[int, ...]] = {}
        self._next_glitch = self._glitch_after(0) if settings.glitches_per_s else None
        self._off = self._lead_filter()
        self._invert = sum(MASK[lead.line] for lead in settings.leads if lead.defect == "inverted")
        self._bounce_victims = [MASK[n] for n in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH") if n in settings.lines]

    def _lead_filter(self) -> Optional[NoiseFilter]:
        """Return the filter for leads that hang free: they pick up the channels beside them."""
        lines = self.settings.lines
        floating = []
        for lead in self.settings.leads:
            if lead.defect == "off":
                at = lines.index(lead.line)
                beside = tuple(MASK[lines[i]] for i in (at - 1, at + 1) if 0 <= i < len(lines))
                floating.append((MASK[lead.line], beside))
        return NoiseFilter(floating, (), self.rng) if floating else None

    def _leads(self, piece: List[Timed]) -> List[Timed]:
        for first, second in self.settings.swapped:
            a, b = BIT[first], BIT[second]
            both = 1 << a | 1 << b
            piece = [(t, w ^ both if (w >> a ^ w >> b) & 1 else w) for t, w in piece]
        high = sum(MASK[lead.line] for lead in self.settings.leads if lead.defect == "high")
        low = sum(MASK[lead.line] for lead in self.settings.leads if lead.defect == "low")
        if high or low:
            piece = [(t, (w | high) & ~low) for t, w in piece]
        if self._off is not None:
            piece = self._off.apply(piece)
        if self._invert:
            piece = [(t, w ^ self._invert) for t, w in piece]
        return piece

    def _glitch_after(self, sample: int) -> int:
        return sample + 1 + round(self.rng.expovariate(self.settings.glitches_per_s) * self.settings.sample_hz)

    def sample(self, pieces: Iterable[List[Timed]]) -> Iterator[Tuple[int, int]]:
        """Yield (sample, word) for every sample at which a channel changes; the first is sample 0.

        The word holds the captured lines, under the labels that the leads were given.
        """
        pending: Dict[int, int] = {}
        shown: Optional[int] = None
        begun = False
        end = self.settings.samples
        for safe in self._collect(pieces, pending):
            if shown is None:
                shown = self._last  # what there was when the recording began, whatever the skews
            for at, word in self._flush(pending, safe, shown):
                if at > 0 and not begun:
                    yield 0, shown
                    begun = True
                if at >= end:
                    return
                shown = word
                if at > 0:
                    yield at, word
        if not begun and shown is not None:
            yield 0, shown

    def _collect(self, pieces: Iterable[List[Timed]], pending: Dict[int, int]) -> Iterator[int]:
        """Put each channel's flips into `pending`, by sample; yield up to which sample they are complete, piece by piece."""
        mask = self.mask
        rise, fall, period = self._rise, self._fall, self.period
        plain = not (self.settings.swapped or self.settings.leads)
        bits = self._bits
        start = self.settings.start * 1000
        last: Optional[int] = None
        for piece in pieces:
            if not piece:
                continue
            seen = piece if plain else self._leads(piece)
            if last is None:
                last = self._last = seen[0][1] & mask
                yield 0
            for time, level in seen:
                word = level & mask
                changed = word ^ last
                if not changed:
                    continue
                last = word
                moment = time * 1000
                single = bits.get(changed)
                if single is None:
                    single = self._split(changed)
                for bit in single:
                    at = (moment + (rise[bit] if word & bit else fall[bit])) // period
                    pending[at] = pending.get(at, 0) ^ bit
                if self.settings.bounce and changed & ADDRESS_MASK:
                    self._ground_bounce(pending, changed, word, moment)
            yield (piece[-1][0] * 1000 - start) // period - self._margin
        yield NEVER

    def _split(self, changed: int) -> Tuple[int, ...]:
        found = tuple(1 << bit for bit in range(changed.bit_length()) if changed >> bit & 1)
        if len(self._bits) < 100_000:
            self._bits[changed] = found
        return found

    def _flush(self, pending: Dict[int, int], safe: int, shown: int) -> Iterator[Tuple[int, int]]:
        """Yield the words of all samples before `safe`, with the spikes of those samples put in."""
        if pending and self._next_glitch is not None:
            limit = min(safe, max(pending))
            while self._next_glitch < limit:
                bit = MASK[self.rng.choice(self.settings.lines)]
                for at in (self._next_glitch, self._next_glitch + 1):
                    pending[at] = pending.get(at, 0) ^ bit
                self._next_glitch = self._glitch_after(self._next_glitch)
        for at in sorted(pending):
            if at >= safe:
                break
            flips = pending.pop(at)
            if flips:
                shown ^= flips
                yield at, shown

    def _ground_bounce(self, pending: Dict[int, int], changed: int, word: int, moment: int) -> None:
        """Pull a control line for one sample when many address lines fall at once."""
        falling = bin(changed & ~word & ADDRESS_MASK).count("1")
        if falling < self.settings.bounce or self.rng.random() < BOUNCE_MISSES or not self._bounce_victims:
            return
        bit = self.rng.choice(self._bounce_victims)
        at = (moment - self.settings.start * 1000) // self.period + 1
        for sample in (at, at + 1):
            pending[sample] = pending.get(sample, 0) ^ bit


def once_a_clock(changes: Iterable[Tuple[int, int]], edge: str, taken: List[int]) -> Iterator[Tuple[int, int]]:
    """Yield (number, word) of the samples that an analyser takes with the CPU's clock at its clock input, the first and last always.

    changes: (sample, word) at a rate that shows every edge of CLK. edge: "falling" or "rising". taken: is given the sample of each edge.
    What an output does behind an edge shows in the next sample.
    """
    clock, wanted = MASK["CLK"], MASK["CLK"] if edge == "rising" else 0
    before: Optional[int] = None
    shown: Optional[int] = None
    for at, word in changes:
        if before is not None and (word ^ before) & clock and word & clock == wanted:
            if shown is None or (before ^ shown) & ~clock:
                yield len(taken), before
                shown = before
            taken.append(at)
        before = word
    if len(taken) > 1 and shown is not None:
        yield len(taken) - 1, shown


def drop_samples(
    changes: Iterable[Tuple[int, int]], gaps: Sequence[Tuple[int, int]], close: bool
) -> Iterator[Tuple[int, int]]:
    """Take the samples in the gaps out of a stream of changes: what happened in a gap shows at its end, if at all.

    gaps: (first lost sample, first kept one), ascending. close: the samples after a gap move up to its beginning.
    """
    index, lost = 0, 0
    held: Optional[int] = None
    for at, word in changes:
        while index < len(gaps) and at >= gaps[index][1]:
            if held is not None:
                yield gaps[index][1] - lost - (gaps[index][1] - gaps[index][0] if close else 0), held
                held = None
            if close:
                lost += gaps[index][1] - gaps[index][0]
            index += 1
        if index < len(gaps) and at >= gaps[index][0]:
            held = word
            continue
        yield at - lost, word
