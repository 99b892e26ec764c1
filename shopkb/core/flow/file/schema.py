"""The accepted fields of a procedure file as pydantic models, made from the metadata of the model's dataclasses."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass
from types import GenericAlias
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, create_model, model_validator

from shopkb.core.flow.circuit_spec import CircuitSpec, FaultSpec, PartSpec, PointSpec, SupplySpec
from shopkb.core.flow.fields import FileField, Kind, in_file_order
from shopkb.core.flow.file.scalars import FIELD_TYPES, KeyField, LineField, NameField, NodeKeyField, PointField
from shopkb.core.flow.model import AskedValue, Cause, ComputedValue, Flow, Outcome, ReadingSpec, Step


class Entry(BaseModel):
    """A group of fields. A field with nothing behind its colon counts as left out.

    ``noun`` is what a message calls the group, ``builds`` the class that is made of it.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
    noun: ClassVar[str]
    builds: ClassVar[type]

    @model_validator(mode="before")
    @classmethod
    def _leave_out(cls, data: object) -> object:
        if isinstance(data, dict):
            return {key: value for key, value in data.items() if value is not None}
        return data

    @classmethod
    def field_names(cls) -> tuple[str, ...]:
        """The fields as they are called in the file, in the order in which they are written."""
        return tuple(info.alias or name for name, info in cls.model_fields.items())


def entry_model(builds: type, name: str, noun: str, groups: Mapping[str, Any] | None = None) -> type[Entry]:
    """The pydantic model of a class. ``groups`` gives the type of each field that is a group."""
    fields: dict[str, Any] = {
        each.attribute: _field(each, (groups or {}).get(each.attribute)) for each in in_file_order(builds)
    }
    made = create_model(name, __base__=Entry, __module__=__name__, **fields)
    made.noun, made.builds = noun, builds
    return made


def _field(each: FileField, group: Any) -> tuple[Any, Any]:
    one = FIELD_TYPES[each.spec.kind] if group is None else group
    about: dict[str, Any] = {"description": each.spec.help}
    if each.name != each.attribute:
        about["alias"] = each.name
    if each.spec.limit:
        about["max_length"] = each.spec.limit
        empty: Any = {} if each.spec.kind is Kind.GROUP else list(each.default)
        return (one if each.spec.kind is Kind.GROUP else GenericAlias(list, (one,))), Field(empty, **about)
    if each.default is None:
        return one | None, Field(None, **about)
    if each.spec.kind in (Kind.GO, Kind.NODE_KEY):  # a draft may leave open where it starts and where outcomes lead
        return one, Field("", **about)
    return one, Field(... if each.default is MISSING else each.default, **about)


class ComputedEntry(Entry):
    """Its inputs stand beside it under names of their own."""

    model_config = ConfigDict(extra="allow", json_schema_extra=lambda schema: schema.pop("description", None))
    noun = "a value that is computed"
    builds = ComputedValue
    __pydantic_extra__: dict[str, LineField]

    compute: KeyField = Field(description=in_file_order(ComputedValue)[0].spec.help)


ReadingEntry = entry_model(ReadingSpec, "ReadingEntry", "a reading")
OutcomeEntry = entry_model(Outcome, "OutcomeEntry", "an outcome")
STEP_GROUPS = {"reading": ReadingEntry, "outcomes": GenericAlias(dict, (NodeKeyField, OutcomeEntry))}
StepEntry = entry_model(Step, "StepEntry", "a step", STEP_GROUPS)
FaultEntry = entry_model(FaultSpec, "FaultEntry", "a fault")
CauseEntry = entry_model(Cause, "CauseEntry", "a cause", {"fault": FaultEntry})
SupplyEntry = entry_model(SupplySpec, "SupplyEntry", "a supply")
PointEntry = entry_model(PointSpec, "PointEntry", "a point")
PartEntry = entry_model(PartSpec, "PartEntry", "a part")
CircuitEntry = entry_model(
    CircuitSpec,
    "CircuitEntry",
    "a circuit",
    {
        "supply": SupplyEntry,
        "points": GenericAlias(dict, (PointField, PointEntry)),
        "parts": GenericAlias(dict, (KeyField, PartEntry)),
    },
)
AskedEntry = entry_model(AskedValue, "AskedEntry", "a value that is asked")


def _value_kind(data: object) -> str:
    return "computed" if isinstance(data, dict) and data.get("compute") is not None else "asked"


ValueEntry = Annotated[
    Annotated[AskedEntry, Tag("asked")] | Annotated[ComputedEntry, Tag("computed")],  # type: ignore[valid-type]
    Discriminator(_value_kind),
]
FlowFile = entry_model(
    Flow,
    "FlowFile",
    "a procedure",
    {
        "values": GenericAlias(dict, (NameField, ValueEntry)),
        "causes": GenericAlias(dict, (NodeKeyField, CauseEntry)),
        "steps": GenericAlias(dict, (NodeKeyField, StepEntry)),
        "circuit": CircuitEntry,
    },
)


def json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a procedure file."""
    schema = FlowFile.model_json_schema()
    for entry in (schema, *schema["$defs"].values()):
        for group in entry.get("properties", {}).values():
            if "patternProperties" in group:  # a key of another form is refused, not merely left unchecked
                group["additionalProperties"] = False
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "Procedure"}


@dataclass(frozen=True, slots=True)
class FieldHelp:
    """A row of the help text: where the field stands, its name, whether it must be there, what it holds."""

    place: str
    name: str
    needed: bool
    words: str


_PLACES: tuple[tuple[str, type[Entry]], ...] = (
    ("", FlowFile),
    ("values.NAME (asked)", AskedEntry),
    ("values.NAME (computed)", ComputedEntry),
    ("circuit", CircuitEntry),
    ("circuit.supply", SupplyEntry),
    ("circuit.points.POINT", PointEntry),
    ("circuit.parts.KEY", PartEntry),
    ("causes.KEY", CauseEntry),
    ("causes.KEY.fault", FaultEntry),
    ("steps.KEY", StepEntry),
    ("steps.KEY.reading", ReadingEntry),
    ("steps.KEY.outcomes.KEY", OutcomeEntry),
)


def field_help() -> tuple[FieldHelp, ...]:
    """All fields in the order in which they are written, outer groups first."""
    return tuple(_rows())


def _rows() -> Iterator[FieldHelp]:
    for place, entry in _PLACES:
        for name, info in entry.model_fields.items():
            yield FieldHelp(place, info.alias or name, info.is_required(), info.description or "")


def entry_at(place: tuple[str | int, ...], kind: str = "asked") -> type[Entry]:
    """The group of fields at a place in the file, such as ``("steps", "supply", "reading")``."""
    match place:
        case ("values", _):
            return ComputedEntry if kind == "computed" else AskedEntry
        case ("causes", _):
            return CauseEntry
        case ("causes", _, "fault"):
            return FaultEntry
        case ("circuit",):
            return CircuitEntry
        case ("circuit", "supply"):
            return SupplyEntry
        case ("circuit", "points", _):
            return PointEntry
        case ("circuit", "parts", _):
            return PartEntry
        case ("steps", _):
            return StepEntry
        case ("steps", _, "reading"):
            return ReadingEntry
        case ("steps", _, "outcomes", _):
            return OutcomeEntry
        case _:
            return FlowFile
