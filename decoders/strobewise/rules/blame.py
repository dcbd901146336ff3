"""Whom a finding makes suspect: one row for each picture, the shares in the order of suspicion.

The order of a row is what its source says: common practice, or our choice where the picture itself does not tell the suspects apart.
The figures are our choice everywhere, held against what came out: ``benchmarks/fault_matrix.py`` prints how often verdicts of each
confidence are right. Where a row's first came out far oftener than said (seeds 9300 and 9400: resets, clocks, /WAIT, /INT, /NMI and the bus
held, leads that a machine runs without, one bit of RAM, an input of the CPU; 12101 to 12107: no ROM that answers, an output of the CPU for data)
it has been raised. Of what holds an input the matrix knows one cause alone, so that it cannot tell their shares. Between CPU, socket and lead the matrix breaks
each alike often, which benches do not: these rows are experience. They add up to at most 1; what is left goes to suspects that a row does not name.
"""

from __future__ import annotations

from typing import List, NamedTuple, cast

from ..bus.model import SUSPECTS, Shares

PRACTICE = "common practice"
OURS = "our choice"
ROUNDING = 1e-4  #: what adding shares of two or three digits may come to above 1


class Row(NamedTuple):
    """One row of the table."""

    shares: Shares
    why: str
    source: str  #: of the order


ROWS: List[Row] = []


def blame(source: str, why: str, **shares: float) -> Shares:
    """Enter a row: suspects with their shares, most likely first. Raises ValueError for what is no row."""
    row = cast(Shares, tuple(shares.items()))
    descends = all(one >= other for (_, one), (_, other) in zip(row, row[1:]))
    if not set(shares) <= set(SUSPECTS) or not descends or min(shares.values(), default=0.0) <= 0.0 or sum(shares.values()) > 1.0 + ROUNDING:
        raise ValueError(f"no row of suspects: {row}")
    ROWS.append(Row(row, why, source))
    return row


# Strobes
CPU_FIRST = blame(PRACTICE, "a strobe that is dead at the CPU's own pin", cpu=0.62, connection=0.22, probe_or_capture=0.16)
LEAD_FIRST = blame(OURS, "the machine could hardly run like this without the line", probe_or_capture=0.7, connection=0.17, cpu=0.13)
OFF_FOR_A_WHILE = blame(
    OURS, "it stood still for one stretch only, while others went on: a lead that let go, before an output that did",
    probe_or_capture=0.52, cpu=0.24, connection=0.2,
)  # fmt: skip
LOOKALIKE = blame(OURS, "exchanged leads and a dead output look the same here", probe_or_capture=0.46, cpu=0.36, connection=0.14)
INVERTED_LEAD = blame(PRACTICE, "just the opposite of what it must be", probe_or_capture=0.9, connection=0.06)
LAGGING = blame(OURS, "/MREQ is late alone, and the count with it", probe_or_capture=0.6, connection=0.15, cpu=0.15)
ONE_LATE = blame(OURS, "the CPU's other outputs are in time: the lead or its channel, then load and joint", probe_or_capture=0.62, connection=0.18, cpu=0.14)
SPOILT_BY_SPIKES = blame(OURS, "as many spikes as misses", probe_or_capture=0.5, clock=0.3, cpu=0.1)

# Lines that hold the CPU
RESET_HELD = blame(PRACTICE, "the reset circuit before what may trip it", reset=0.86, supply=0.06, expansion_device=0.05, connection=0.03)
RESET_LEAD = blame(PRACTICE, "the CPU runs, so it is not held", probe_or_capture=0.8, connection=0.2)
RESET_PULSES = blame(PRACTICE, "a supervisor that sees the supply dip, a device that pulls", reset=0.64, supply=0.2, expansion_device=0.14)
WAIT_HELD = blame(PRACTICE, "the wait-state generator, then a device", glue=0.66, expansion_device=0.2, connection=0.12)
WAIT_LEAD = blame(PRACTICE, "cycles are not held, so the line is not low", probe_or_capture=0.7, connection=0.3)
BUS_HELD = blame(OURS, "a device before a bus master of the board, which few home computers have", expansion_device=0.56, glue=0.26, connection=0.14)
BUS_LEAD = blame(PRACTICE, "the CPU keeps the bus, so it was not asked for it", probe_or_capture=0.6, connection=0.2, cpu=0.2)
INT_HELD = blame(PRACTICE, "the interrupt source, then a device", glue=0.65, expansion_device=0.2, connection=0.13)
HALT_LIES = blame(OURS, "a dead output, a lead and a bridge to /MREQ look alike", cpu=0.42, probe_or_capture=0.3, connection=0.28)
NMI_HELD = blame(
    PRACTICE, "the button and its pull-up, then a device",
    glue=0.54, expansion_device=0.24, connection=0.14, probe_or_capture=0.06,
)  # fmt: skip
HALTED = blame(PRACTICE, "a program that derailed, then an interrupt source that died", program=0.55, glue=0.35, expansion_device=0.1)
HALTED_DEAF = blame(PRACTICE, "requests come and the program has interrupts off", program=0.75, glue=0.2)

# The clock
CLOCK_STOPPED = blame(
    PRACTICE, "the oscillator and its driver first, then the rail that feeds them",
    clock=0.87, supply=0.08, connection=0.05,
)  # fmt: skip
CLOCK_LEAD = blame(PRACTICE, "the CPU runs, so the clock does", probe_or_capture=0.85, connection=0.1)
CLOCK_PAUSES = blame(
    PRACTICE, "an oscillator with a bad joint, a board that stops it on purpose, lost samples",
    clock=0.5, glue=0.25, probe_or_capture=0.25,
)  # fmt: skip
SAMPLES_MISSING = blame(PRACTICE, "the analyser before the crystal, whose phase cannot jump", probe_or_capture=0.8, clock=0.15)
NMI_BOUNCES = blame(PRACTICE, "the button of a device on the port, or the board's own", expansion_device=0.5, glue=0.35, connection=0.1)
CLOCK_OFF = blame(PRACTICE, "the crystal or what divides it; or the stated frequency is wrong", clock=0.88, probe_or_capture=0.12)
NMI_STORM = blame(PRACTICE, "what asks: a button that chatters, a device, the gate between", glue=0.45, expansion_device=0.4, connection=0.1)
CLOCK_GIVEN = blame(OURS, "what was typed before what was built", probe_or_capture=0.6, clock=0.3)
CLOCK_JITTER = blame(PRACTICE, "the oscillator, ripple, a bad ground clip", clock=0.6, supply=0.2, probe_or_capture=0.2)
CLOCK_INVERTED = blame(PRACTICE, "the lead sits on the other side of an inverter", probe_or_capture=0.9, connection=0.05)

# The capture, and a CPU that does nothing
HELD_LOW_AT_REST = blame(
    OURS, "an inverted channel of a line at rest looks the same as a dead output",
    cpu=0.42, probe_or_capture=0.36, connection=0.22,
)  # fmt: skip
THE_CAPTURE = blame(PRACTICE, "the file or the rate, not the machine", probe_or_capture=0.9)
SPIKES_SEEN = blame(PRACTICE, "ground clips and crosstalk before the supply", probe_or_capture=0.8, supply=0.1)
NO_REQUESTS = blame(PRACTICE, "nothing moves: the CPU, its supply, its seat", cpu=0.4, supply=0.25, connection=0.2, glue=0.15)
WENT_SILENT = blame(PRACTICE, "what holds a CPU was not captured", glue=0.35, clock=0.25, cpu=0.2, supply=0.2)
SILENT_UNSEEN = blame(
    OURS, "any of the lines that stop a CPU, none of them captured: a clock and a reset before what asks for waits or for the bus",
    clock=0.28, reset=0.25, glue=0.2, supply=0.14, cpu=0.1,
)  # fmt: skip
SILENT_UNHELD = blame(PRACTICE, "what holds a CPU was captured, and does not", cpu=0.4, supply=0.3, connection=0.2)
NO_FETCH = blame(OURS, "lost samples, a master that was not captured, a CPU astray", probe_or_capture=0.4, cpu=0.3, glue=0.3)
IO_CONFLICT = blame(OURS, "a floating /IORQ and an open lead look alike", connection=0.4, probe_or_capture=0.4, cpu=0.2)
IO_BRIDGE = blame(PRACTICE, "/MREQ and /IORQ are neighbours, pins 19 and 20", connection=0.66, glue=0.12, cpu=0.12, probe_or_capture=0.1)

# Buses and the lines of them
BRIDGE = blame(
    PRACTICE, "two lines that are one: solder and slivers before chips; clips may touch as well",
    connection=0.62, glue=0.14, probe_or_capture=0.14, cpu=0.1,
)  # fmt: skip
ADDRESS_STUCK = blame(
    OURS, "a still address line looks alike whoever is to blame, so the shares lie close",
    connection=0.33, address_bus=0.31, probe_or_capture=0.2, cpu=0.16,
)  # fmt: skip
NOT_COUNTING = blame(PRACTICE, "the CPU alone drives it, and a short or the lead looks alike", address_bus=0.35, cpu=0.3, connection=0.25, probe_or_capture=0.1)
NOT_HELD_LOW = blame(PRACTICE, "the resistor, or who still drives the bus", connection=0.5, data_bus=0.2, rom=0.15, ram=0.1)
ADDRESS_LEAD = blame(OURS, "memory answers as if the line were right", probe_or_capture=0.72, connection=0.16, address_bus=0.12)
ADDRESS_UNSTEADY = blame(
    OURS, "a floating address line looks alike whoever is to blame, so the shares lie close",
    connection=0.33, address_bus=0.3, probe_or_capture=0.2, cpu=0.17,
)  # fmt: skip
DATA_LEAD_OFF = blame(OURS, "the CPU itself reads the right bytes", probe_or_capture=0.75, connection=0.2)
DATA_INPUT = blame(
    PRACTICE, "the line moves and the CPU takes no notice: its input, or the contact before it",
    cpu=0.58, connection=0.3, probe_or_capture=0.12,
)  # fmt: skip
BYTES_UNLIKE = blame(
    OURS, "data that the CPU took are not those that were captured: late, fought for, or a lead that does not touch",
    probe_or_capture=0.34, rom=0.2, cpu=0.18, data_bus=0.16, connection=0.1,
)  # fmt: skip
DATA_OUTPUT = blame(
    PRACTICE, "wrong in what the CPU writes alone: its output, or another chip that drives against it",
    cpu=0.62, data_bus=0.2, connection=0.16,
)  # fmt: skip
LATE_MEMORY = blame(OURS, "many bits, none of them alone: whatever answers late", rom=0.28, ram=0.26, glue=0.24, data_bus=0.22)
LATE_ROM = blame(PRACTICE, "late where only ROM was read: the chip, then what enables it", rom=0.55, glue=0.25, data_bus=0.12)
LATE_RAM = blame(PRACTICE, "late where RAM was read: the chip, then what enables it", ram=0.55, glue=0.27, data_bus=0.12)

# What the program says
MISREAD_LEAD = blame(
    OURS, "the CPU acts on the right byte, the capture shows another",
    probe_or_capture=0.72, connection=0.2, data_bus=0.08,
)  # fmt: skip
DATA_INPUT_OR_LEAD = blame(OURS, "the same, and few written bytes show the lead to be good", cpu=0.4, connection=0.3, probe_or_capture=0.3)
ADDRESS_WRONG_AT_TIMES = blame(
    OURS, "one line differs now and then: a lead before a joint",
    probe_or_capture=0.36, connection=0.3, address_bus=0.24, cpu=0.1,
)  # fmt: skip
WRITES_AND_READS = blame(
    OURS, "wrong in writes, and it does not move in reads either",
    data_bus=0.45, probe_or_capture=0.3, connection=0.25,
)  # fmt: skip
ADDRESS_AGAINST_PROGRAM = blame(
    OURS, "one address line that does not do what the program asks",
    address_bus=0.4, connection=0.25, probe_or_capture=0.2, cpu=0.15,
)  # fmt: skip
CONTRADICTED = blame(
    OURS, "no line explains it: the capture first, the CPU last",
    probe_or_capture=0.45, connection=0.2, data_bus=0.15, cpu=0.12,
)  # fmt: skip

# Memory
LED_ASTRAY = blame(OURS, "what led the CPU to where nothing answers was not captured", ram=0.36, rom=0.32, glue=0.2, data_bus=0.08)
ONE_THING = blame(
    OURS, "a program that waits looks just like memory that gives one byte everywhere",
    program=0.3, rom=0.26, ram=0.16, glue=0.16, data_bus=0.1,
)  # fmt: skip
READS_FF = blame(PRACTICE, "no ROM answers: the ROM or its enable", rom=0.6, glue=0.22, connection=0.1, data_bus=0.06)
READS_00 = blame(PRACTICE, "held low: a line of the bus or what drives it", data_bus=0.4, rom=0.3, glue=0.2, connection=0.1)
READS_ALIKE = blame(PRACTICE, "no ROM answers: the ROM or its enable", rom=0.45, glue=0.3, connection=0.15, data_bus=0.1)
ONE_LINE_ODD = blame(PRACTICE, "one line alone holds another level", data_bus=0.42, connection=0.22, rom=0.2, glue=0.1)
DATA_STUCK = blame(
    PRACTICE, "the same level in reads from everywhere: the line",
    data_bus=0.55, connection=0.2, probe_or_capture=0.15, rom=0.1,
)  # fmt: skip
DATA_STUCK_ONE_MEMORY = blame(OURS, "only one memory was read: its output, or the line", rom=0.42, data_bus=0.28, connection=0.24)
DATA_UNSTEADY = blame(
    OURS, "a floating data line looks alike whoever is to blame",
    connection=0.34, data_bus=0.3, probe_or_capture=0.2, rom=0.08, ram=0.08,
)  # fmt: skip
READS_UNSTEADY = blame(OURS, "several bits differ: whatever answers late or twice", ram=0.3, rom=0.25, glue=0.25, data_bus=0.2)
RAM_BIT = blame(PRACTICE, "one bit in one region: the chip of that bit", ram=0.74, connection=0.16, data_bus=0.1)
RAM_BIT_OR_LINE = blame(OURS, "the same, and nothing shows that the line is good", ram=0.56, data_bus=0.26, connection=0.16)
RAM_BANK = blame(PRACTICE, "the bank, its enable, its supply", ram=0.45, glue=0.4, connection=0.15)
STACK = blame(OURS, "one byte of the stack that did not hold: the cell first", ram=0.6, supply=0.14, connection=0.12, data_bus=0.1)
RAM_ONCE = blame(
    OURS, "a byte or a few that did not hold: the cell, then what selects and refreshes it",
    ram=0.46, glue=0.2, connection=0.14, probe_or_capture=0.1, supply=0.08,
)  # fmt: skip
READ_ONCE = blame(
    OURS, "a byte or a few that came otherwise: late, fought for, a contact, or a spike",
    rom=0.32, glue=0.26, connection=0.14, data_bus=0.12, probe_or_capture=0.12,
)  # fmt: skip
RAM_MIRROR = blame(PRACTICE, "an address line that does not reach the memory", glue=0.4, connection=0.35, address_bus=0.25)
STACK_NOWHERE = blame(OURS, "what set the stack there is not plain: a byte read wrongly, or RAM that is gone", ram=0.36, rom=0.3, glue=0.2, data_bus=0.08)
ROM_CONTENT = blame(PRACTICE, "the ROM before its contacts", rom=0.6, connection=0.25, glue=0.15)
ROM_BIT = blame(PRACTICE, "one output of the ROM: the line moves elsewhere", rom=0.6, connection=0.3)
ROM_BIT_OR_LINE = blame(OURS, "the same, and nothing shows that the line is good", data_bus=0.45, rom=0.25, connection=0.2)
ROM_PAIR = blame(PRACTICE, "two pins of one chip that are one: solder and slivers, then the chip", connection=0.5, rom=0.38)
FIGHT = blame(OURS, "what is enabled beside the ROM: the decoder first", glue=0.4, expansion_device=0.26, rom=0.14, ram=0.12)
ROM_ADDRESS = blame(PRACTICE, "an address pin of the chip without contact", connection=0.45, address_bus=0.35, rom=0.2)
ROM_OR_ADDRESS = blame(
    OURS, "an undriven bus and an address pin without contact look alike where the rest of the image is empty",
    connection=0.36, rom=0.28, glue=0.18, address_bus=0.12,
)  # fmt: skip
ROM_FLIPPED = blame(PRACTICE, "few bits at few addresses have flipped", rom=0.8, connection=0.1)
ROM_SILENT = blame(PRACTICE, "the ROM, or its enable", rom=0.42, glue=0.32, connection=0.2)
ROM_SOMETIMES = blame(OURS, "right most of the time: whatever is marginal", rom=0.36, glue=0.24, connection=0.22, data_bus=0.16)

# Leads
LEADS_SWAPPED = blame(
    OURS, "the machine is consistent under another labelling, so the board is good",
    probe_or_capture=0.93, connection=0.04,
)  # fmt: skip

# The expansion port
NOT_TRIGGERED = blame(PRACTICE, "no /M1 at the port: the CPU, or the way to the port", cpu=0.68, connection=0.24, probe_or_capture=0.08)
DEVICE_SILENT = blame(
    PRACTICE, "asked properly and silent: the device or its contact",
    expansion_device=0.66, connection=0.28, probe_or_capture=0.06,
)  # fmt: skip
DEVICE_SOMETIMES = blame(PRACTICE, "a device that answers now and then has a contact that does", expansion_device=0.5, connection=0.45)
NOT_RELEASED = blame(PRACTICE, "the device's own decoding", expansion_device=0.65, connection=0.3)
ROM_STAYS_ON = blame(PRACTICE, "between the port and the ROM's enable pin", glue=0.6, connection=0.3, rom=0.1)
NMI_UNANSWERED = blame(OURS, "the CPU's input and the joint before it look alike", cpu=0.4, connection=0.4, probe_or_capture=0.2)

# Delays and rates
SLOW_STROBE = blame(PRACTICE, "a weak output or too much load", cpu=0.4, connection=0.25, glue=0.2, probe_or_capture=0.15)
RISES_LATE = blame(PRACTICE, "all lines alike: the threshold before the supply", probe_or_capture=0.7, supply=0.15, glue=0.1)
NO_REFRESH = blame(PRACTICE, "what held the CPU that long", glue=0.4, expansion_device=0.3, program=0.15, cpu=0.15)
INTERRUPT_RATE = blame(PRACTICE, "the divider or video circuit, its clock, another profile", glue=0.5, clock=0.3, probe_or_capture=0.2)

# Volts
VOLTS_DEAD = blame(PRACTICE, "never leaves the low range: an output that has died", cpu=0.72, connection=0.17, probe_or_capture=0.11)
VOLTS_GROUND = blame(OURS, "flat at 0 V: dead, shorted, or a probe that touches nothing", cpu=0.42, connection=0.32, probe_or_capture=0.26)
VOLTS_UNDRIVEN = blame(PRACTICE, "between the limits: nobody drives it", cpu=0.45, connection=0.38, probe_or_capture=0.17)
VOLTS_WEAK = blame(
    OURS, "overload, half dead, low supply look alike",
    glue=0.3, cpu=0.28, supply=0.2, connection=0.12, probe_or_capture=0.1,
)  # fmt: skip
VOLTS_WEAK_CLOCK = blame(PRACTICE, "the clock driver or its pull-up", clock=0.6, supply=0.2, probe_or_capture=0.15)
VOLTS_SLOW = blame(OURS, "load, joint, output, probe look alike", glue=0.3, connection=0.25, cpu=0.2, probe_or_capture=0.2)
VOLTS_RINGING = blame(PRACTICE, "the probe's ground lead", probe_or_capture=0.8, connection=0.1)
VOLTS_BETWEEN = blame(PRACTICE, "nobody drives it, or two do", connection=0.35, cpu=0.3, glue=0.2, probe_or_capture=0.15)
NOTHING_WRONG = blame(PRACTICE, "all is well where the probe sits", none=0.95)

# Several captures
COMES_AND_GOES = blame(
    PRACTICE, "an output that works in one capture and not in another is seldom dead: a contact, or the lead",
    connection=0.4, probe_or_capture=0.38, cpu=0.19,
)  # fmt: skip

#: Of the parts along a line only the way between the two places can be at fault; a clip that slipped, or a buffer there, looks the same.
BETWEEN_TWO_PLACES = blame(
    PRACTICE, "right at the CPU's own pin and wrong at the connector: the way between the two places",
    connection=0.84, probe_or_capture=0.08, glue=0.05,
)  # fmt: skip
LEAD_AT_THE_CPU = blame(
    OURS, "an output that is right further on leaves the CPU, whatever the lead at its pin shows",
    probe_or_capture=0.86, connection=0.08,
)  # fmt: skip

# The known program: mostly replaced by the suspects of the fault that it names
PROGRAM_NAMES_FAULT = blame(
    OURS, "what single faults of a board come to, where the fault itself names nobody",
    connection=0.4, data_bus=0.2, address_bus=0.2, rom=0.1, ram=0.1,
)  # fmt: skip
PROGRAM_LEFT = blame(
    OURS, "whatever leads a machine astray, and an image that is not this machine's",
    connection=0.25, program=0.2, data_bus=0.15, address_bus=0.15, rom=0.15, ram=0.1,
)  # fmt: skip
