"""Each annotation has a few texts, down to a character or two: the host's window shows the longest that fits."""

from __future__ import annotations

from itertools import product

import pytest

from strobewise.bus.model import KINDS, NOTES, Finding
from strobewise.cpu.opcodes import operations
from strobewise.program.steps import Step
from strobewise.rules import CATALOGUE
from strobewise.stream.labels import ALONE_TEXTS, CycleItems, LengthItems, finding_texts, wait_texts
from strobewise.stream.program import STEP_CLASSES, StepItems


def is_graded(texts):
    assert 3 <= len(texts) <= 5, texts
    assert [len(text) for text in texts] == sorted((len(text) for text in texts), reverse=True) and len(set(texts)) == len(texts), texts
    assert 1 <= len(texts[-1]) <= 2
    assert not any(text != text.strip() or set(text) & set('"\\\n') for text in texts), texts


@pytest.mark.parametrize("kind", KINDS)
def test_cycles(kind):
    items = CycleItems(KINDS)
    for address, data, inferred in product((None, 0x1234), (None, 0x5A), (False, True)):
        its_class, texts = items[kind, address, data, inferred]
        assert KINDS[its_class] == kind
        is_graded(texts)


def test_lengths_and_waits():
    items = LengthItems(7)
    for t_states, note in product((None, 4, 23), NOTES):
        its_class, shown = items[t_states, note]
        assert its_class == 7 and len(shown) == 3 and len(shown[-1]) <= 3
    for count in (1, 2, 9):
        is_graded(wait_texts(count))


def step(what, **changes):
    return Step(what, 0, 1, None, b"", None, None, None, 0, "")._replace(**changes)


@pytest.mark.parametrize("what", sorted(set(STEP_CLASSES) - {"instruction"}))
def test_steps(what):
    items = StepItems({what: place for place, what in enumerate(STEP_CLASSES)})
    for changes in ({}, {"address": 0x0038, "t_states": 13, "expected": 13}, {"wait_states": 2, "note": "odd"}):
        is_graded(items.item(step(what, **changes))[1])


def test_instructions():
    items = StepItems({what: place for place, what in enumerate(STEP_CLASSES)})
    for code, operation in enumerate(operations(b"")):
        if operation.text:
            data = bytes((code, 0x12, 0x34)[: operation.length])
            is_graded(items.item(step("instruction", address=0x8000, data=data, operation=operation, t_states=4, expected=5))[1])


def test_findings():
    for rule in CATALOGUE:
        for lines in ((), ("M1",), ("A0", "A1", "A2")):
            finding = Finding(rule.id, rule.severity, lines, "none", 0.5, 0.0, 0.0, 1, "what was seen", "what to do")
            shown = finding_texts(finding, rule.title)
            assert 3 <= len(shown) <= 4 and shown[0].startswith(rule.title) and shown[-1] == "!"
    is_graded(ALONE_TEXTS)
