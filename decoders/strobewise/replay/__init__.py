"""Replay: the known program run beside the capture, by a healthy machine and by machines with one fault each.

In the language of chip testing this is a fault dictionary (see docs/explanation/replay.md): what a capture shows is compared with what
each fault of a catalogue would have shown.

    unknown.py     values of which some bits are not known, and a CPU that calculates with them
    board.py       what memory and ports answer, healthy or with a fault of the simulator's table
    observed.py    what the capture shows, cycle by cycle, from its first reset on
    compared.py    the bus that holds each machine cycle against the captured one
    course.py      one machine's run beside the capture: where it agrees, where it parts
    catalogue.py   the faults that are tried
    search.py      all of them against one capture, those that begin on the way (late.py) last
    weighing.py    what it tells that a fault agrees with a capture, and what that costs
    judging.py     which of them explain it beyond chance: groups, and what would tell candidates apart
    healthy.py     the healthy machine: where the program begins, and what is no fault
    timed.py       boards that are not the same all the time: an expansion device, a strobe that fails
    leads.py, by_lead.py, stopped.py  strobes that the program contradicts; a machine that falls silent
    collect.py, part.py   the part of the evidence that keeps the cycles and judges them

The result is records/replay.py; what it means for the verdict, and its words, rules/replay.py.
"""
