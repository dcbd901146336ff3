"""Checked captures as JUnit XML: a suite for each capture, a test case for each expectation."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING

from strobewise.expectations import Check, CheckedCapture
from strobewise_cli.render.verify_text import difference
from strobewise_cli.terminal import one_line

if TYPE_CHECKING:
    from junitparser.xunit2 import TestCase


def render(results: Sequence[CheckedCapture], expectations: str) -> bytes:
    """Return the document. Whatever a capture or file name holds arrives as text that XML allows."""
    from junitparser import Error
    from junitparser.xunit2 import JUnitXml, TestCase, TestSuite  # the form whose root the schema allows

    document = JUnitXml("strobewise verify")
    for result in results:
        name = one_line(result.capture)
        suite = TestSuite(name)  # type: ignore[no-untyped-call]
        suite.add_property("expectations", one_line(expectations))
        if result.error:
            case = TestCase("capture is readable", name)
            problem = Error(one_line(result.error), "unreadable")
            problem.text = one_line(result.error)
            case.result = [problem]
            suite.add_testcase(case)
        for check in result.checks:
            suite.add_testcase(_case(check, name))
        document.add_testsuite(suite)
    document.update_statistics()  # type: ignore[no-untyped-call]
    out = BytesIO()
    document.write(out, pretty=True)
    return out.getvalue()


def _case(check: Check, capture: str) -> TestCase:
    from junitparser import Failure
    from junitparser.xunit2 import TestCase

    case = TestCase(one_line(check.name), capture)
    if not check.passed:
        failure = Failure(one_line(f"expected {check.expected}, seen {check.seen}"), "expectation")
        failure.text = "\n".join(difference(check))
        case.result = [failure]
    return case
