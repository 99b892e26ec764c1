from __future__ import annotations

import re
from typing import Any

import pytest

from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.schema import (
    AskedEntry,
    CauseEntry,
    CircuitEntry,
    Entry,
    FaultEntry,
    FlowFile,
    OutcomeEntry,
    PartEntry,
    ReadingEntry,
    StepEntry,
    field_help,
    json_schema,
)
from shopkb.core.flow.file.writer import flow_tree
from shopkb.core.flow.model import TestKind
from tests.core.flow.snapshots import VALID


def definition(name: str) -> dict[str, Any]:
    schema = json_schema()
    return schema if name == "FlowFile" else schema["$defs"][name]


ENTRIES = [FlowFile, StepEntry, OutcomeEntry, ReadingEntry, CauseEntry, AskedEntry, CircuitEntry, PartEntry, FaultEntry]


@pytest.mark.parametrize("entry", ENTRIES)
def test_json_schema_has_the_fields_that_are_read_and_no_others(entry: type[Entry]) -> None:
    part = definition(entry.__name__)
    assert tuple(part["properties"]) == entry.field_names()
    assert part["additionalProperties"] is False


def test_json_schema_names_the_accepted_words() -> None:
    schema = json_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["required"] == ["procedure", "title", "system"]
    tests = schema["$defs"]["TestKind"]["enum"]
    assert tests == [str(kind) for kind in TestKind]
    assert schema["$defs"]["Proof"]["enum"] == ["elimination", "seen", "measured", "substituted"]


def test_json_schema_refuses_keys_of_another_form() -> None:
    schema = json_schema()
    circuit = schema["$defs"]["CircuitEntry"]["properties"]
    groups = [schema["properties"][name] for name in ("steps", "causes", "values")]
    for group in (*groups, circuit["parts"], circuit["points"]):
        assert group["additionalProperties"] is False
        assert len(group["patternProperties"]) == 1
    outcomes = schema["$defs"]["StepEntry"]["properties"]["outcomes"]
    assert outcomes["additionalProperties"] is False
    assert outcomes["maxProperties"] == 12


def test_every_field_has_help() -> None:
    rows = field_help()
    assert all(row.words for row in rows)
    assert ("steps.KEY.outcomes.KEY", "label", True) in {(row.place, row.name, row.needed) for row in rows}
    assert ("values.NAME (asked)", "from", False) in {(row.place, row.name, row.needed) for row in rows}


@pytest.mark.parametrize("code", ["P0480", "P2A0F", "C1234", "B1000", "U3FFF"])
def test_json_schema_takes_trouble_codes_of_iso_15031_6(code: str) -> None:
    assert re.search(json_schema()["properties"]["codes"]["items"]["pattern"], code)


@pytest.mark.parametrize("file", VALID, ids=lambda file: file.stem)
def test_the_writer_keeps_the_order_of_the_schema(file: Any) -> None:
    flow = read_flow(file.read_bytes()).flow
    assert flow is not None
    tree = flow_tree(flow)

    def ordered(part: dict[str, Any], entry: type[Entry]) -> bool:
        return list(part) == [name for name in entry.field_names() if name in part]

    assert ordered(tree, FlowFile)
    for step in tree["steps"].values():
        assert ordered(step, StepEntry)
        assert ordered(step.get("reading") or {}, ReadingEntry)
        assert all(ordered(outcome, OutcomeEntry) for outcome in step["outcomes"].values())
    assert all(ordered(cause, CauseEntry) for cause in tree.get("causes", {}).values())
