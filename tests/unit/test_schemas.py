"""What is written as JSON is what the shipped schemas say, and the schemas say all of it."""

from __future__ import annotations

import copy
import json
from importlib.resources import files

import jsonschema
import pytest

from conftest import TRACES, all_traces, run_strobewise
from strobewise.bus.model import KINDS, LINE_STATES, NOTES, SUSPECTS
from strobewise.hookup.symptoms import SYMPTOMS, UNKNOWN
from strobewise_cli.schemas import SCHEMAS, load_schema

FAULTY = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
HEALTHY = TRACES / "good" / "healthy-full.vcd.gz"


def closed(schema):
    """Return the schema with every object closed, so that a key that nobody documented is noticed here."""
    schema = copy.deepcopy(schema)

    def close(node):
        if isinstance(node, dict):
            if "properties" in node:
                node["additionalProperties"] = False
            for value in node.values():
                close(value)
        elif isinstance(node, list):
            for value in node:
                close(value)

    close(schema)
    return schema


def check(name, document):
    jsonschema.Draft202012Validator(closed(load_schema(name))).validate(document)


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_schema_is_a_schema(name):
    schema = load_schema(name)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


def test_every_file_is_listed():
    found = {entry.name.removesuffix(".json") for entry in files("strobewise_cli.schemas").iterdir() if entry.name.endswith(".json")}
    assert found == set(SCHEMAS)


def test_there_is_no_other_schema():
    with pytest.raises(KeyError):
        load_schema("../main")


@pytest.mark.parametrize("trace", all_traces(), ids=lambda p: p.name)
def test_diagnosis_of_every_demo_capture(trace):
    from strobewise.diagnosis.facade import diagnose
    from strobewise_cli.render.diagnosis_json import render

    check("diagnosis", json.loads(render(diagnose([trace]))))


def test_diagnosis_of_two_captures():
    from strobewise.diagnosis.facade import diagnose
    from strobewise_cli.render.diagnosis_json import render

    document = json.loads(render(diagnose([HEALTHY, HEALTHY])))
    assert len(document["captures"]) == 2
    check("diagnosis", document)


def test_lines():
    done = run_strobewise("lines", FAULTY, "--json", "-")
    check("lines", json.loads(done.stdout))


def test_comparison():
    done = run_strobewise("compare", HEALTHY, FAULTY, "--json", "-")
    assert done.returncode == 1
    check("comparison", json.loads(done.stdout))


@pytest.mark.parametrize("arguments", [(), ("--channels", "40", "--symptom", "memory-size", "--clock", "4M")], ids=["plain", "all"])
def test_hookup(arguments):
    document = json.loads(run_strobewise("hookup", *arguments, "--json", "-").stdout)
    check("hookup", document)
    assert len(document["leads"]) <= document["channels"]


@pytest.mark.parametrize("trace", [HEALTHY, TRACES / "good" / "healthy-two.vcd"], ids=lambda p: p.name)
def test_cycles(trace):
    rows = run_strobewise("cycles", trace, "--format", "jsonl").stdout.splitlines()
    assert len(rows) > 1000
    validator = jsonschema.Draft202012Validator(closed(load_schema("cycle")))
    for row in rows[:300]:
        validator.validate(json.loads(row))


def test_words_are_the_engines():
    """The schemas are written by hand; their lists of words must keep up with the engine's tables."""
    assert load_schema("cycle")["properties"]["kind"]["enum"] == list(KINDS)
    assert load_schema("cycle")["properties"]["note"]["enum"] == list(NOTES)
    assert load_schema("hookup")["properties"]["symptom"]["enum"] == [symptom.name for symptom in (*SYMPTOMS, UNKNOWN)]
    definitions = load_schema("diagnosis")["$defs"]
    assert definitions["line_state"]["enum"] == list(LINE_STATES)
    assert definitions["suspect"]["enum"] == list(SUSPECTS)
    assert list(definitions["cycles"]["properties"]) == [*KINDS, "inferred_fetches"]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("version",), 2),
        (("verdict", "state"), "fine"),
        (("lines", 0, "state"), "dead"),
        (("findings", 0, "confidence"), 1.5),
        (("findings", 0, "severity"), "error"),
        (("cycles", "opcode_fetch"), -1),
        (("capture", "channels", 0, "line"), 3),
    ],
)
def test_a_wrong_document_is_refused(path, value):
    document = json.loads(run_strobewise("diagnose", FAULTY, "--json", "-").stdout)
    node = document
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        check("diagnosis", document)


def test_readers_must_accept_further_keys():
    document = json.loads(run_strobewise("diagnose", FAULTY, "--json", "-").stdout)
    document["further"] = document["verdict"]["further"] = 1
    jsonschema.Draft202012Validator(load_schema("diagnosis")).validate(document)
