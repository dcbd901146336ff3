"""JUnit against the published schema.

Source of the schema: junit-10.xsd of the Jenkins xUnit plug-in (MIT licence, in the file), as shipped with pytest's source distribution.
"""

from __future__ import annotations

import pytest
from lxml import etree

from conftest import ROOT
from strobewise.expectations import Check, CheckedCapture
from strobewise_cli.render.junit import render

SCHEMA = etree.XMLSchema(etree.parse(ROOT / "tests" / "data" / "junit-10.xsd"))
GOOD = Check("cycles.opcode_fetch", True, "10 to 20", "12", "")
BAD = Check("verdict.state", False, "no_fault_found", "fault", "from 1.2 ms on", "the CPU")


def document(*results):
    root = etree.fromstring(render(results, "board.expect.toml"))
    SCHEMA.assertValid(root)
    return root


def test_a_passed_and_a_failed_check():
    root = document(CheckedCapture("boot.vcd", (GOOD, BAD)))
    assert root.xpath("string(/testsuites/@tests)") == "2" and root.xpath("string(/testsuites/@failures)") == "1"
    assert root.xpath("count(//testcase[@name='cycles.opcode_fetch']/failure)") == 0
    failure = root.xpath("//testcase[@name='verdict.state'][@classname='boot.vcd']/failure")[0]
    assert failure.get("message") == "expected no_fault_found, seen fault"
    assert failure.text == "verdict.state\n  - no_fault_found\n  + fault   (from 1.2 ms on)\n    the CPU"


def test_an_unreadable_capture_is_an_error():
    root = document(CheckedCapture("gone.vcd", (), "no such file (gone.vcd): check the name"))
    assert root.xpath("string(/testsuites/@errors)") == "1"
    assert root.xpath("string(//error/@message)") == "no such file (gone.vcd): check the name"


@pytest.mark.parametrize(
    "hostile",
    ["\x1b[2J\x07", "<script>&amp;\"']]>", "\x00\x08\ufffe\uffff", "\ud800", "a\nb\tc", "\u202egnp", "]]><failure/>"],
    ids=repr,
)
def test_hostile_names_stay_text(hostile):
    check = Check(hostile, False, hostile, hostile, hostile, hostile)
    root = document(CheckedCapture(hostile, (check,)), CheckedCapture("2" + hostile, (), hostile))
    assert root.xpath("count(//testsuite)") == 2 and root.xpath("count(//testcase)") == 2
    assert root.xpath("count(//failure)") == 1 and root.xpath("count(//error)") == 1
    text = etree.tostring(root, encoding="unicode")
    assert all(char not in text for char in "\x1b\x07\x00\x08\u202e\ufffe")


def test_the_schema_refuses_what_is_wrong():
    root = document(CheckedCapture("boot.vcd", (GOOD,)))
    del root.find("testsuite").attrib["name"]
    assert not SCHEMA.validate(root)
