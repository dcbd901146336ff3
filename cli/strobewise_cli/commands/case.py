"""``strobewise case``: one repair from symptom to proof, kept as a folder of plain files."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING

from strobewise.errors import UsageError
from strobewise_cli.commands.diagnose import EXIT_STATUS
from strobewise_cli.commands.options import Subparsers, add_taken_options, clock_hz, probe_place, raw_words, taken_said
from strobewise_cli.named_files import settle_files_read
from strobewise_cli.output import STANDARD_OUTPUT, open_output

if TYPE_CHECKING:
    from strobewise.bus.model import LeadPlace
    from strobewise.case.records import Answer, Case, CaseState

SYMPTOMS = ("dead", "resets", "ignores-expansion", "dies-warm", "memory-size", "garbage", "hangs", "unknown")
SUSPECT_NAMES = (
    "cpu", "rom", "ram", "data_bus", "address_bus", "glue", "clock", "reset", "supply", "expansion_device", "connection", "program",
    "probe_or_capture", "none",
)  # fmt: skip
KINDS = (
    "volts", "ohms", "between", "pulses", "driven", "passes", "readout", "supply", "unplugged", "reseated", "cooled", "cleaned",
    "replaced", "resoldered", "note",
)  # fmt: skip

_EPILOG = """\
examples:
  strobewise case new mine --machine bench.toml --symptom dead     begin
  strobewise case next mine                                        the one thing to do now, and the command that puts its result in
  strobewise case add mine boot.vcd --map M1=CH0 --map MREQ=CH1    a capture
  strobewise case add mine warm.vcd --minutes-on 20 --note warm    of a machine that had been on for 20 minutes
  strobewise case add mine boot.bin --raw 24M:MREQ=0,M1=1          raw samples; --clocked, --free-run, --stimulus as in diagnose
  strobewise case add mine --from fx2lafw                          the capture that the step asks for, through the capture host
  strobewise case answer mine pulses M1 no                         /M1 does not pulse at the CPU's own leg
  strobewise case answer mine volts M1 0.4 --at connector          a voltage; ohms, supply likewise
  strobewise case answer mine between A11-A12 0.4                  the resistance between two lines that may be bridged
  strobewise case answer mine driven rom no                        the ROM's select, output enable and address pins do not all pulse
  strobewise case answer mine passes U5 no                         a buffer or decoder of the profile's board (else glue) fails
  strobewise case answer mine readout rom wrong                    what a programmer read is not the image
  strobewise case answer mine replaced cpu                         what was done: replaced, resoldered, cleaned, reseated
  strobewise case answer mine cooled cpu --fault gone              what was tried: cooled, unplugged
  strobewise case withdraw mine 2 --because "wrong machine"        no longer counts, and stays on the sheet
  strobewise case show mine                                        where it stands, and what changed it
  strobewise case report mine --html sheet.html --bundle mine.zip  the job sheet; the case to share, without ROM contents
  strobewise case close mine --was cpu --part "U1"                 what it was

exit status: 0, 2 bad usage; of add and show 0 no fault found, 1 fault found, 3 cannot decide
"""


def run(args: argparse.Namespace) -> int:
    """Do what the subcommand says."""
    status: int = args.run_case(args)
    return status


def _opened(args: argparse.Namespace) -> Case:
    from strobewise.case.store import open_case

    case = open_case(args.folder)
    settle_files_read(args)
    return case


def _state(case: Case, args: argparse.Namespace) -> CaseState:
    from strobewise.case.experience import read_experience
    from strobewise.case.state import judge_case
    from strobewise_cli.terminal import warn

    experience = read_experience(getattr(args, "closed", []))
    for folder in experience.unreadable:
        warn(f"the case in {folder} cannot be read, and does not count")
    return judge_case(case, experience)


def _new(args: argparse.Namespace) -> int:
    from strobewise.case.store import new_case
    from strobewise_cli.render.case_text import print_step

    case = new_case(
        args.folder, args.machine, args.symptom, leads=args.leads, clock_hz=args.clock, socketed=args.socketed, machine=args.name or "",
    )  # fmt: skip
    print_step(_state(case, args).step, sys.stdout)
    return 0


def _add(args: argparse.Namespace) -> int:
    from strobewise.capture.channels.map_options import read_map_file, split_map
    from strobewise.case.state import capture_of_lines
    from strobewise.case.store import add_capture

    if (args.capture is None) == (args.driver is None):
        raise UsageError("one capture is to be added", "CAPTURE", "name a file, or --from and the analyser to take it from")
    places: dict[str, LeadPlace] = {line: place for _, line, place in args.probes}
    case = _opened(args)
    if args.driver is not None:
        return _told(_recorded(case, args, places), args)
    pairs = [*(read_map_file(args.map_file) if args.map_file is not None else ()), *(split_map(text) for text in args.maps)]
    case = add_capture(
        case, args.capture, maps=pairs, probe_at=places, note=args.note, minutes_on=args.minutes_on, read=capture_of_lines,
        taken=taken_said(args),
    )  # fmt: skip
    return _told(case, args)


def _recorded(case: Case, args: argparse.Namespace, places: Mapping[str, LeadPlace]) -> Case:
    """Take the capture that the next step asks for from an analyser, and return the case with it."""
    from strobewise.case.state import case_options, examined_capture
    from strobewise.case.store import add_capture
    from strobewise.files.writing import own_folder
    from strobewise_cli.acquire.for_case import record_step
    from strobewise_cli.terminal import note

    taken = taken_said(args)
    if args.maps or args.map_file is not None:
        raise UsageError("the next step says where the leads sit", "--map", "leave it out with --from")
    if taken.raw or taken.clocked:
        raise UsageError("the capture host says how it took its samples", "--raw or --clocked", "leave it out with --from")
    with own_folder(str(case.folder)) as folder:
        came = record_step(_state(case, args).step, args.driver, folder, case_options(case))
        for remark in came.remarks:
            note(remark)
        minutes = args.minutes_on if args.minutes_on is not None else came.minutes_on
        at = {**came.places, **places}
        return add_capture(case, came.path, probe_at=at, note=args.note, minutes_on=minutes, read=examined_capture, taken=taken)


def _told(case: Case, args: argparse.Namespace) -> int:
    """Say where a case stands; the exit status is that of its verdict."""
    from strobewise_cli.render.case_text import print_state

    state = _state(case, args)
    print_state(state, sys.stdout)
    return EXIT_STATUS[state.verdict.state] if state.verdict is not None else EXIT_STATUS["cannot_decide"]


def _next(args: argparse.Namespace) -> int:
    from strobewise_cli.render.case_text import print_step

    state = _state(_opened(args), args)
    if args.json is not None:
        from strobewise_cli.output import json_text
        from strobewise_cli.render.case_json import step_document

        with open_output(args.json, "w") as out:
            out.write(json_text(step_document(state.step)))
    if args.json != STANDARD_OUTPUT:
        print_step(state.step, sys.stdout)
    return 0


def _answer(args: argparse.Namespace) -> int:
    from strobewise.case.store import add_answer
    from strobewise_cli.render.case_text import print_step

    case = _opened(args)
    state = _state(add_answer(case, _parsed(args), _note(args)), args)
    print(f"{state.changes[-1].number}. {state.changes[-1].words}")
    print_step(state.step, sys.stdout)
    return 0


def _note(args: argparse.Namespace) -> str:
    return " ".join(args.what) if args.kind == "note" else args.note


def _parsed(args: argparse.Namespace) -> Answer:
    """Return the answer of KIND [ABOUT] [VALUE]. Raises UsageError."""
    from strobewise.case.checks import WITH_VALUE
    from strobewise.case.readings import value_said
    from strobewise.case.records import Answer

    words = list(args.what)
    value = None
    if args.kind in WITH_VALUE:
        try:
            value = value_said(args.kind, words.pop() if words else "")
        except UsageError as error:
            raise UsageError(error.what, error.where, f"as in strobewise case answer FOLDER {_EXAMPLES[args.kind]}") from None
    if args.kind == "note":
        words = []
    if len(words) > 1:
        raise UsageError(f"{words[1]!r} is too much", args.kind, "give one line or part; text goes behind --note")
    return Answer(args.kind, words[0] if words else "", value, args.at, args.fault)


_EXAMPLES = {
    "volts": "volts M1 0.4", "ohms": "ohms M1 1.2", "between": "between A11-A12 0.4", "pulses": "pulses M1 no", "driven": "driven rom no",
    "passes": "passes glue no", "readout": "readout rom wrong", "supply": "supply 5.02",
}  # fmt: skip


def _show(args: argparse.Namespace) -> int:
    case = _opened(args)
    if args.json is None:
        return _told(case, args)
    from strobewise_cli.render.case_json import render

    state = _state(case, args)
    with open_output(args.json, "w") as out:
        out.write(render(state))
    return EXIT_STATUS[state.verdict.state] if state.verdict is not None else EXIT_STATUS["cannot_decide"]


def _report(args: argparse.Namespace) -> int:
    case = _opened(args)
    if not (args.html or args.markdown or args.bundle):
        raise UsageError("nothing to write", "case report", "give --html FILE, --markdown FILE or --bundle FILE")
    state = _state(case, args) if args.html or args.markdown else None
    if args.markdown is not None and state is not None:
        from strobewise_cli.render.case_markdown import render_markdown

        with open_output(args.markdown, "w") as out:
            out.write(render_markdown(state))
    if args.html is not None and state is not None:
        from strobewise_cli.render.case_html import render_page

        with open_output(args.html, "w") as out:
            out.write(render_page(state))
    if args.bundle is not None:
        from strobewise.case.bundle import bundle

        with open_output(args.bundle) as out:
            out.write(bundle(case))
    return 0


def _withdraw(args: argparse.Namespace) -> int:
    from strobewise.case.store import withdraw

    case = withdraw(_opened(args), args.item, args.because)
    _told(case, args)
    return 0


def _close(args: argparse.Namespace) -> int:
    from strobewise.case.store import close_case

    case = _opened(args)
    state = _state(case, args)
    proven = state.proof is not None and state.proof.state == "proven"
    findings = state.diagnosis.findings if state.diagnosis is not None else []
    rules = dict.fromkeys(finding.rule for finding in findings if finding.severity == "fault")
    closed = close_case(case, args.was, args.part, proven, tuple(rules), args.note).closed
    print(f"closed {closed.time}: {args.was}, {closed.part}" if closed is not None else "")
    if not proven:
        from strobewise_cli.terminal import note

        note("closed without a proof: it does not count as experience")
    return 0


def add_parser(subparsers: Subparsers) -> argparse.ArgumentParser:
    """Add the command to the parser."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "case", help="one repair from symptom to proof, kept as a folder of plain files",
        description="Keep a repair from its symptom to its proof, and say at each point the one thing to do next.", epilog=_EPILOG,
    )  # fmt: skip
    parser.set_defaults(run=run)
    actions = parser.add_subparsers(title="what to do", metavar="ACTION", dest="action", required=True)
    for function, adder in (
        (_new, _add_new), (_add, _add_add), (_next, _add_next), (_answer, _add_answer), (_show, _add_show), (_report, _add_report),
        (_withdraw, _add_withdraw), (_close, _add_close),
    ):  # fmt: skip
        made = adder(actions)
        made.add_argument("folder", metavar="FOLDER", help="the case") if function not in (_add, _answer, _withdraw) else None
        made.add_argument("--debug", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        if function not in (_close,):
            made.add_argument(
                "--closed", metavar="FOLDER", action="append", default=[],
                help="closed cases, or a folder of them: who was to blame there counts, and is told beside the table",
            )  # fmt: skip
        made.set_defaults(run_case=function)
    return parser


def _add_new(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("new", help="begin a case")
    made.add_argument("--machine", metavar="PROFILE", help="what the machine is made of: a profile in TOML, or one of the generic ones")
    made.add_argument("--symptom", choices=SYMPTOMS, default="unknown", help="what the machine does, see strobewise hookup --help")
    made.add_argument("--leads", metavar="N", type=int, default=8, help="channels of the analyser (default: 8)")
    made.add_argument("--clock", metavar="HZ", type=clock_hz, help="the machine's clock: 3500000, 3.5M or 3.5MHz")
    made.add_argument("--socketed", metavar="PART", action="append", default=[], help="cpu, rom or ram: it comes out without soldering")
    made.add_argument("--name", metavar="TEXT", help="which machine it is: a name, a serial number")
    return made


def _add_add(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("add", help="put a capture into the case, and judge all so far")
    made.add_argument("folder", metavar="FOLDER", help="the case")
    made.add_argument("capture", metavar="CAPTURE", nargs="?", help="what `strobewise diagnose` reads; a map beside it comes along")
    made.add_argument("--from", dest="driver", metavar="DRIVER", help="take the capture that the next step asks for, by the capture host")
    made.add_argument("--map", dest="maps", metavar="LINE=CHANNEL", action="append", default=[], help="this channel is that line")
    made.add_argument("--map-file", metavar="FILE", help='the same from a TOML file: a table [map] of LINE = "CHANNEL"')
    made.add_argument("--probe-at", dest="probes", metavar="LINE=PLACE", action="append", default=[], type=probe_place,
                      help="where a line's lead sits: cpu (the default) or connector")  # fmt: skip
    made.add_argument("--minutes-on", metavar="N", type=float, help="how long the machine had been on when the capture began")
    add_taken_options(made, raw_words)
    made.add_argument("--note", metavar="TEXT", default="", help="what else there is to say")
    return made


def _add_next(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("next", help="the one thing to do now")
    made.add_argument("--json", metavar="FILE", help="write it as JSON (- is standard output)")
    return made


def _add_answer(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("answer", help="what was measured or done")
    made.add_argument("folder", metavar="FOLDER", help="the case")
    made.add_argument("kind", metavar="KIND", choices=KINDS, help=f"one of {', '.join(KINDS)}")
    made.add_argument("what", metavar="WHAT", nargs="*", help="the line or part, and what was measured: M1 0.4; cpu; M1 no; 5.02")
    made.add_argument("--at", choices=("cpu", "connector"), default="cpu", help="where it was measured (default: at the CPU's own leg)")
    made.add_argument("--fault", choices=("gone", "stays"), default="", help="what became of the fault")
    made.add_argument("--note", metavar="TEXT", default="", help="what else there is to say")
    return made


def _add_show(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("show", help="where it stands, and what changed it")
    made.add_argument("--json", metavar="FILE", help="write it as JSON (- is standard output)")
    return made


def _add_report(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("report", help="the job sheet")
    made.add_argument("--html", metavar="FILE", help="write it as one self-contained page")
    made.add_argument("--markdown", metavar="FILE", help="write it as Markdown")
    made.add_argument("--bundle", metavar="FILE", help="write the case as a zip file to share, with digests in place of ROM contents")
    return made


def _add_withdraw(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("withdraw", help="take an entry out of the verdict; it stays on the sheet")
    made.add_argument("folder", metavar="FOLDER", help="the case")
    made.add_argument("item", metavar="ITEM", type=_number, help="its number on the sheet")
    made.add_argument("--because", metavar="TEXT", required=True, help="why: wrong clip, wrong machine, bad reading")
    return made


def _number(text: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise UsageError(f"{text!r} is no number of an entry", "ITEM", "strobewise case show lists them")
    return int(text)


def _add_close(actions: Subparsers) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser("close", help="say what it was")
    made.add_argument("--was", metavar="SUSPECT", choices=SUSPECT_NAMES, required=True, help=f"one of {', '.join(SUSPECT_NAMES)}")
    made.add_argument("--part", metavar="TEXT", required=True, help="what was put right: a part, a joint")
    made.add_argument("--note", metavar="TEXT", default="", help="what else there is to say")
    return made
