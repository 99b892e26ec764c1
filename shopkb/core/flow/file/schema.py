"""The accepted keys of a procedure file, said once: reader, writer order, JSON Schema and help text come from here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

from shopkb.core.flow.file.scalars import (
    BandField,
    CodeField,
    GoField,
    KeyField,
    LineField,
    MinutesField,
    NameField,
    NodeKeyField,
    NoteField,
    PathField,
    PriceField,
    ProofField,
    QuantityField,
    QuantityNameField,
    TestField,
    TruthField,
    UnitField,
    UsualField,
)

STEP_LIMIT = 200
OUTCOME_LIMIT = 12
CAUSE_LIMIT = 200
LIST_LIMIT = 60


class Entry(BaseModel):
    """A group of fields. A field with nothing behind its colon counts as left out."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
    noun: ClassVar[str]

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


class ReadingEntry(Entry):
    noun = "a reading"

    quantity: QuantityNameField = Field(description="what is measured")
    unit: UnitField = Field(description="the unit shown and typed")
    between: list[LineField] = Field([], max_length=2, description="the points the meter is put to, one or two")
    loaded: TruthField = Field(False, description="true when the circuit carries its working current meanwhile")


class OutcomeEntry(Entry):
    noun = "an outcome"

    label: LineField = Field(description="the result in the words a technician would use")
    band: BandField | None = Field(None, description="the readings that give this outcome")
    go: GoField = Field("", description="a step, a cause, hand-over PROCEDURE, or out")
    proof: ProofField | None = Field(None, description="how the cause is proven; for an end that names a cause")
    note: NoteField = Field("", description="what to write down or tell the customer")


class StepEntry(Entry):
    noun = "a step"

    title: LineField = Field(description="the test in one line")
    test: TestField = Field(description="how it finds something out")
    at: PathField = Field("", description="path of the component worked on; it brings its hazards")
    access: KeyField = Field("", description="set-up state from the catalog; reaching it costs its minutes once")
    minutes: MinutesField | None = Field(None, description="usual time for the test itself")
    needs: list[NodeKeyField] = Field([], max_length=LIST_LIMIT, description="steps that must have been done before")
    tools: list[LineField] = Field([], max_length=LIST_LIMIT, description="tools to bring")
    cautions: list[KeyField] = Field([], max_length=LIST_LIMIT, description="cautions from the catalog, shown first")
    isolates: list[LineField] = Field(
        [], max_length=LIST_LIMIT, description="what is unplugged first, asked back at the end; power-directly needs it"
    )
    picture: LineField = Field("", description="file name of a picture or drawing")
    reading: ReadingEntry | None = Field(None, description="what is measured; a measuring step needs it")
    instruction: NoteField = Field("", description="what to do, in Markdown")
    outcomes: dict[NodeKeyField, OutcomeEntry] = Field(
        {}, max_length=OUTCOME_LIMIT, description="what can be found, by key; each is a branch"
    )


class CauseEntry(Entry):
    noun = "a cause"

    component: PathField = Field(description="path of the component that failed")
    mode: LineField = Field(description="how it failed, such as open circuit")
    usual: UsualField = Field("occasional", validate_default=True, description="believed before any job was closed")
    correction: NoteField = Field("", description="what puts it right")
    minutes: MinutesField | None = Field(None, description="usual time for the correction")
    price: PriceField | None = Field(None, description="of the part, in the shop's currency")
    also: NoteField = Field("", description="the root cause, and what else to check")


class AskedEntry(Entry):
    noun = "a value that is asked"

    ask: LineField = Field(description="the question put to the technician, once a run")
    unit: UnitField = Field(description="the unit of the answer")
    from_: QuantityField | None = Field(None, alias="from", description="the lowest it can be")
    to: QuantityField | None = Field(None, description="the highest it can be")


class ComputedEntry(Entry):
    model_config = ConfigDict(extra="allow")
    noun = "a value that is computed"
    __pydantic_extra__: dict[str, LineField]

    compute: KeyField = Field(description="name of the computation; its inputs stand beside it")


def _value_kind(data: object) -> str:
    return "computed" if isinstance(data, dict) and data.get("compute") is not None else "asked"


ValueEntry = Annotated[
    Annotated[AskedEntry, Tag("asked")] | Annotated[ComputedEntry, Tag("computed")], Discriminator(_value_kind)
]


class FlowFile(Entry):
    noun = "a procedure"

    procedure: KeyField = Field(description="key of the procedure; never changes")
    title: LineField = Field(description="the complaint or task in one line")
    system: PathField = Field(description="path in the systems tree")
    symptoms: list[KeyField] = Field([], max_length=LIST_LIMIT, description="symptoms of the catalog it is for")
    codes: list[CodeField] = Field([], max_length=LIST_LIMIT, description="fault codes that point here (ISO 15031-6)")
    platforms: list[PathField] = Field(
        ["any"], max_length=LIST_LIMIT, description="paths in the platform tree it is for, or any"
    )
    summary: NoteField = Field("", description="what it does, for someone who chooses among procedures")
    verify: NoteField = Field("", description="how to prove the cure: the conditions of the complaint, repeated")
    values: dict[NameField, ValueEntry] = Field(
        {}, max_length=LIST_LIMIT, description="asked once a run, or computed; usable in bands"
    )
    causes: dict[NodeKeyField, CauseEntry] = Field(
        {}, max_length=CAUSE_LIMIT, description="what this procedure can prove, by key"
    )
    start: NodeKeyField = Field("", description="key of the first step")
    steps: dict[NodeKeyField, StepEntry] = Field({}, max_length=STEP_LIMIT, description="the steps, by key")


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
    ("causes.KEY", CauseEntry),
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
        case ("steps", _):
            return StepEntry
        case ("steps", _, "reading"):
            return ReadingEntry
        case ("steps", _, "outcomes", _):
            return OutcomeEntry
        case _:
            return FlowFile
