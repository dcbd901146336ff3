"""The rooms that mutants.py changes, and the tests nearest to each."""

from __future__ import annotations

from typing import NamedTuple

ENGINE = "decoders/strobewise"


class Area(NamedTuple):
    """Files that belong together and the tests nearest to them, the quick ones first."""

    name: str
    share: int  #: of the changes, relative to the others
    files: tuple[str, ...]
    tests: tuple[str, ...]


def _unit(*names: str) -> tuple[str, ...]:
    return tuple(f"tests/unit/test_{name}.py" for name in names)


#: The two engines on the demo captures; on machines by chance it would take minutes a mutant.
ENGINES_AGREE = (
    "tests/differential/test_engines_agree.py", "--deselect=tests/differential/test_engines_agree.py::test_on_simulated_machines",
)  # fmt: skip

CPU_LOCKSTEP, VCD_READER = "tests/properties/test_cpu_lockstep.py", "tests/properties/test_vcd_reader.py"

#: Whole simulated machines, which take minutes: tried last, in the areas that name them.
SLOW = ("tests/unit/test_rules_simulated.py", "tests/unit/test_evidence_stays_small.py")

AREAS = (
    Area(
        "bus", 8, (f"{ENGINE}/bus",),
        (*_unit("bus_tables", "calibration", "limits", "ac_table", "channels"), "tests/packaging/test_typing.py"),
    ),
    Area("cycles", 8, (f"{ENGINE}/cycles",), ("tests/differential/test_machine_truth.py", *ENGINES_AGREE)),
    Area(
        "stream", 8, (f"{ENGINE}/stream",),
        (
            *_unit("stream_details", "stream_watches"), "tests/host/test_stream_for_others.py", *ENGINES_AGREE,
            "tests/host/test_plugins_agree.py",
        ),
    ),
    Area(
        "evidence", 14, (f"{ENGINE}/evidence",),
        _unit("evidence_details", "course", "timing_evidence", "rules_volts", "listing", "prediction", "rules", "leads", "identify"),
    ),
    Area(
        "rules", 20, (f"{ENGINE}/rules",),
        _unit(
            "rule_table", "rule_tables", "limits", "rules_on_their_limits", "prediction_rules", "rule_records", "rules", "timing_evidence",
            "rules_volts", "prediction", "leads", "rules_simulated",
        ),
    ),
    Area(
        "verdict", 10, (f"{ENGINE}/verdict", f"{ENGINE}/diagnosis"),
        (
            *_unit("verdict", "headline", "steps", "evidence_details", "gathering", "observations", "timing_evidence", "joining"),
            *_unit("replay", "rules"), "tests/golden",
        ),
    ),
    Area("program", 6, (f"{ENGINE}/program",), _unit("tally", "listing", "prediction")),
    Area(
        "capture", 8, (f"{ENGINE}/capture",),
        (
            *_unit("channels", "vcd_header", "vcd_body", "scope_csv", "grid", "rewrite", "opening", "reading_apart", "map_beside"),
            *_unit("raw_capture", "session_files", "settling", "clocked", "sampled_output"), VCD_READER,
        ),
    ),
    Area("identify", 4, (f"{ENGINE}/identify",), _unit("program_fit", "identify", "ties", "leads")),
    Area("cpu", 6, (f"{ENGINE}/cpu",), (*_unit("cpu_opcodes", "disassembly", "cpu_model", "prediction", "replay"), CPU_LOCKSTEP)),
    Area("replay", 10, (f"{ENGINE}/replay",), _unit("replay", "stimulus", "free_run", "course")),
    Area("case", 8, (f"{ENGINE}/case",), _unit("steps", "case_state", "case_store", "proof")),
    Area("learn", 4, (f"{ENGINE}/learn",), _unit("learn")),
    Area(
        "tables", 6, tuple(f"{ENGINE}/{room}" for room in ("profile", "expectations", "hookup", "records", "files")),
        _unit("profile", "expectations", "named_files", "rom_images", "hookup", "output", "evidence_details"),
    ),
    Area("long", 6, (f"{ENGINE}/watch", f"{ENGINE}/archive"), (*_unit("watching", "archive"), "tests/e2e/test_watch.py")),
    Area(
        "machine", 12, (f"{ENGINE}/machine",),
        _unit(
            "machine_wiring", "machine_pins", "machine_analyser", "machine_vcd_text", "machine_programs", "scenario", "machine_bench",
            "machine_faults",
        ),
    ),
    Area("compare", 10, (f"{ENGINE}/compare",), _unit("compare")),
    Area(
        "render", 12, ("cli/strobewise_cli/render",),
        _unit("markdown", "brief", "junit", "render_cycles", "html_report", "explain", "hookup", "compare"),
    ),
    Area(
        "host", 4, ("decoders/host",),
        tuple(f"tests/host/test_{name}.py" for name in ("annotation_texts", "plugins_load", "plugins_faults")),
    ),
)  # fmt: skip
