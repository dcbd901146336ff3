"""What the search for an analyser's sample grid rests on, in both engines."""

from __future__ import annotations

FINEST_SAMPLING_FS = 2_000_000  #: a one-tick grid is taken for an analyser's from 2 ns up (500 MHz; common practice)
ROUNDING_LEFT = 0.25  #: ticks by which times may fit better than the rounding of others would
SAME_STEP = 0.5  #: ticks beyond a reach up to which a step still counts as within it: steps of 2 and 3 ticks may be the same one
ROUNDING_TICKS = 1.25  #: width of the rounding of times: 1, and a little for exports that round twice

TIMES_USED = 20_000  #: of a capture, from its beginning: more say nothing new (our choice)
LARGEST_DIVISOR = 64  #: events may never be closer than this many samples
FIRST_FIT = 16  #: times that the first fit is made over, before it reaches further (our choice)
SPAN = 12  #: times that are spanned where different lengths are counted (our choice)
REACHES = (1.5, 3, 6, 12, 24, 48)  #: in shortest steps: up to which length the interval is sharpened, one after the other (our choice)
SURE = 0.99  #: confidence from which an interval is taken: one capture in a hundred may be told a grid that it has not (our choice)
TIGHT = 0.32  #: the same where the times fit this closely, as a share of it
FEW_TICKS = 4.0  #: ticks in an interval below which the steps, rounded always the same way, mislead
ROUGH = 5.0  #: ticks in an interval from which a fit over all times is no chance
