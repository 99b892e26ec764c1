"""A plain field more: everything that is made from the metadata has it as soon as the class has it."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from shopkb.core.flow.comparison.compare import field_facts
from shopkb.core.flow.fields import Compared, Kind, file_fields, in_file_order, labels, spec, typed_names
from shopkb.core.flow.file.reader import build
from shopkb.core.flow.file.schema import STEP_GROUPS, entry_model
from shopkb.core.flow.file.writer import group_tree
from shopkb.core.flow.model import AskedValue, Cause, ComputedValue, Flow, Outcome, ReadingSpec, Step, TestKind

METADATA = spec(Kind.LINE, "how tight it is done up", label="Torque", typed=True, more="Torque, in words")


@dataclass(frozen=True)
class TorqueStep(Step):
    """A step with one field more than the product's."""

    torque: str = field(default="", metadata=METADATA)


def test_a_field_with_metadata_is_read_written_compared_and_put_on_the_desk() -> None:
    entry = entry_model(TorqueStep, "TorqueStep", "a step", STEP_GROUPS)
    group = {"title": "Earth strap", "test": "action", "torque": "hand tight"}
    step = build(entry.model_validate(group), group, key="strap")
    assert step == TorqueStep("strap", "Earth strap", TestKind.ACTION, (), torque="hand tight")
    assert group_tree(step) == group
    assert entry.model_json_schema()["properties"]["torque"]["description"] == "how tight it is done up"
    assert field_facts(TorqueStep, step)[Compared.WORDING]["torque"] == "hand tight"
    assert typed_names(TorqueStep) == (*typed_names(Step), "torque")
    assert labels(TorqueStep)["torque"] == "Torque"
    assert [each.name for each in file_fields(TorqueStep) if each.spec.more][-1] == "torque"


def test_only_keys_stand_in_no_group() -> None:
    for owner in (Flow, Step, Outcome, Cause, ReadingSpec, AskedValue, ComputedValue):
        assert {each.name for each in fields(owner)} - {each.attribute for each in file_fields(owner)} <= {"key"}
        assert sorted(map(str, in_file_order(owner))) == sorted(map(str, file_fields(owner)))
