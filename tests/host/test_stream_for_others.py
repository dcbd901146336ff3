"""The stream that others stack on: the example of the documentation runs, and the tables name the fields that there are."""

from __future__ import annotations

import ast
import re
import shutil

import pytest
from real_host import PLUG_INS, mapping, need_host, run_host

from conftest import ROOT, TRACES, run_strobewise
from strobewise.stream.records import Begun, Bus, Ended

PAGE = (ROOT / "docs" / "reference" / "plugin-stream.md").read_text(encoding="utf-8")


def test_the_example_counts_the_fetches(tmp_path):
    need_host()
    example = re.search(r"^```python\n(.*?)^```", PAGE, flags=re.DOTALL | re.MULTILINE)[1]
    folder = tmp_path / "decoders" / "host"
    shutil.copytree(PLUG_INS, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder.parent / "strobewise").symlink_to(ROOT / "decoders" / "strobewise")
    (folder / "fetch_count").mkdir()
    (folder / "fetch_count" / "__init__.py").write_text(example)
    run_strobewise("prepare", TRACES / "good" / "healthy-full.vcd.gz", "-o", tmp_path / "x.vcd")
    fetches = run_strobewise("cycles", tmp_path / "x.vcd", "--format", "csv").stdout.count(b",opcode_fetch,")
    for between in ("", ",strobewise_instructions", ",strobewise_faults"):
        chain = f"strobewise_cycles:{mapping(tmp_path / 'x.vcd')}{between},fetch_count"
        done = run_host("-i", tmp_path / "x.vcd", "-I", "vcd", "-P", chain, "-A", "fetch_count", plug_ins=folder)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.splitlines()[-1] == f"fetch_count-1: {fetches}" and fetches > 500


LISTENER = '''
import sys
import sigrokdecode as srd

class Decoder(srd.Decoder):
    """Writes down what it is told."""
    api_version, id, name, longname, desc, license = 3, "{name}", "{name}", "{name}", "Listens.", "mit"
    inputs, outputs, tags = ["strobewise_cycles"], ["strobewise_cycles"], ["Test"]
    annotations = (("told", "Told"),)
    def __init__(self): self.told = {{}}
    def reset(self): pass
    def start(self):
        self.out, self.stream = self.register(srd.OUTPUT_ANN), self.register(srd.OUTPUT_PYTHON)
    def decode(self, start, end, message):
        self.put(start, end, self.stream, message)
        what = message[0]
        if what == "wants":
            message[1].update({wants})
        self.told.setdefault(what, []).append(message[1:])
        if what == "finish":
            single = [[tuple(row) for (row,) in self.told.get(one, [])] for one in ("cycle", "end")]
            batched = [[row for batch in self.told.get("cycles", []) for row in batch[place]] for place in (0, 1)]
            bare = all(type(row) is tuple for rows in batched for row in rows)
            numbers = [row[0] for row in single[0]]
            ok = numbers == list(range(len(numbers))) and len(single[0]) == len(single[1])
            said = (sorted(self.told), len(single[0]), len(batched[0]), single == batched, bare, ok, len(self.told.get("step", [])) > 100)
            self.put(0, 1, self.out, [0, [repr(said)]])
'''


@pytest.mark.parametrize("between", ["", ",strobewise_instructions", ",strobewise_faults"])
def test_each_is_told_what_anybody_asked_for(tmp_path, between):
    """Nobody asks, nothing is told but what is rare; batches hold what the single messages say."""
    need_host()
    run_strobewise("prepare", TRACES / "good" / "healthy-full.vcd.gz", "-o", tmp_path / "x.vcd")
    fetches = run_strobewise("cycles", tmp_path / "x.vcd", "--format", "csv").stdout.count(b"\n") - 1
    rare = ["bus", "finish", "line", "quiet", "wants"]
    inner = ["cycles"] if between else []  # asked for by what lies between, and passed on
    for wants, told in ([], inner), (["cycle"], ["cycle", "end", *inner]), (["cycle", "cycles", "step"], ["cycle", "cycles", "end"]):
        folder = tmp_path / f"decoders{len(wants)}" / "host"
        shutil.copytree(PLUG_INS, folder, ignore=shutil.ignore_patterns("__pycache__"))
        (folder.parent / "strobewise").symlink_to(ROOT / "decoders" / "strobewise")
        (folder / "listener").mkdir()
        (folder / "listener" / "__init__.py").write_text(LISTENER.format(name="listener", wants=wants))
        chain = f"strobewise_cycles:{mapping(tmp_path / 'x.vcd')}{between},listener"
        done = run_host("-i", tmp_path / "x.vcd", "-I", "vcd", "-P", chain, "-A", "listener", plug_ins=folder)
        assert (done.returncode, done.stderr) == (0, "")
        names, single, batched, same, bare, in_order, steps = ast.literal_eval(done.stdout.partition(": ")[2])
        assert steps == ("step" in wants and between == ",strobewise_instructions")
        assert set(names) - set(rare) - {"step"} == set(told) and {"bus", "finish", "wants"} <= set(names)
        assert single == (fetches if "cycle" in told else 0) and batched == (fetches if "cycles" in told else 0)
        assert in_order and bare and (same or "cycle" not in told or "cycles" not in told)


def test_the_tables_name_the_fields():
    for record, name in ((Bus, "bus"), (Begun, "begun"), (Ended, "ended")):
        table = PAGE.split(f"| `{name}` | |\n")[1].split("\n\n")[0]
        named = [field for row in table.splitlines()[1:] for field in re.findall(r"`(\w+)`", row.split("|")[1])]
        assert named == list(record._fields)
