"""What is true of each rule, written a second time: a slip of the hand in a share, a certainty or an id shows here.

The second writing is data/rule_table.toml. It says what was decided, not why: the reasons stand with the rules, and the sources in their
records (most shares are common practice or our choice). A rule that is changed on purpose is changed in both places.
"""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import pytest
from rule_facts import FLAGS, LISTED, WORDS, facts_of, said_by

from strobewise.bus.model import SUSPECTS
from strobewise.rules import CATALOGUE, Found, Rule
from strobewise.rules.base import SEVERITIES

TABLE = tomllib.loads((Path(__file__).parents[1] / "data" / "rule_table.toml").read_text(encoding="utf-8"))
SOME = 0.5  #: stands for a certainty by name in the rule below


@pytest.mark.parametrize("each", CATALOGUE, ids=lambda each: each.id)
def test_a_rule_is_what_was_decided(each):
    assert facts_of(each) == TABLE[each.id]


def test_the_table_has_every_rule_and_no_other():
    assert [each.id for each in CATALOGUE] == list(TABLE)


def test_no_fact_of_a_record_is_left_out():
    assert {field.name for field in dataclasses.fields(Rule)} == LISTED | WORDS and not LISTED & WORDS
    assert set(FLAGS) == {field.name for field in dataclasses.fields(Rule) if field.type == "bool"}


@pytest.mark.parametrize("row", TABLE.values(), ids=TABLE)
def test_the_table_itself_makes_sense(row):
    assert all(0.25 <= certainty < 1.0 for certainty in row.get("confidence", ()))
    assert row["severity"] in SEVERITIES and set(row.get("also_severity", ())) <= set(SEVERITIES)
    for text in (row["suspects"], *row.get("also_suspects", ())):
        shares = [(name, float(share)) for name, share in (part.split() for part in text.split(", "))]
        assert {name for name, _ in shares} <= set(SUSPECTS) and len(dict(shares)) == len(shares)
        assert 0.85 <= sum(share for _, share in shares) <= 1.0001  # what is missing is left open
        assert all(share > 0 for _, share in shares)
        assert shares == sorted(shares, key=lambda entry: -entry[1])


# What reads the functions must itself see each way in which a rule says such things.


def _helper():
    severity: str = "note"
    return Found("x", (), severity=severity, confidence=0.7 if severity else SOME)


def _says_much(evidence):
    yield _helper()
    yield Found("x", (), suspects=(("cpu", 0.6), ("rom", 0.4)) if evidence else None, confidence=evidence or 0.31)


def test_the_functions_are_read_through_their_helpers():
    assert said_by(_says_much) == {"severity": {"note"}, "confidence": {0.7, SOME, 0.31}, "suspects": {(("cpu", 0.6), ("rom", 0.4))}}


def test_the_record_above_a_function_is_not_what_the_function_says():
    facts = facts_of(next(each for each in CATALOGUE if each.id == "reset-loop"))
    assert facts["suspects"] and "also_suspects" not in facts and "confidence" not in facts
