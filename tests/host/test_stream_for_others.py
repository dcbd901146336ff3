"""The stream that others stack on: the example of the documentation runs, and the tables name the fields that there are."""

from __future__ import annotations

import re
import shutil

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


def test_the_tables_name_the_fields():
    for record, name in ((Bus, "bus"), (Begun, "begun"), (Ended, "ended")):
        table = PAGE.split(f"| `{name}` | |\n")[1].split("\n\n")[0]
        named = [field for row in table.splitlines()[1:] for field in re.findall(r"`(\w+)`", row.split("|")[1])]
        assert named == list(record._fields)
