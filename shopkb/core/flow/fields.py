"""What the file format, the desk and the comparison of revisions need to know about a field of the model.

Each field that stands in a procedure file carries a :class:`FieldSpec` in its metadata. The reader, the writer, the
schema, its help, the editor, the comparison and the form of the desk are made from it.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from enum import StrEnum, auto
from functools import cache
from typing import Any


class Kind(StrEnum):
    """The kinds of value a field holds; ``file/scalars.py`` has the form and the limit of each."""

    KEY = auto()
    NODE_KEY = auto()
    LINE = auto()
    PROSE = auto()
    PATH = auto()
    CODE = auto()
    MINUTES = auto()
    PRICE = auto()
    TRUTH = auto()
    TEST = auto()
    USUAL = auto()
    PROOF = auto()
    QUANTITY_NAME = auto()
    QUANTITY = auto()
    UNIT = auto()
    BAND = auto()
    GO = auto()
    POINT = auto()
    PART_KIND = auto()
    AMOUNT = auto()
    SPREAD = auto()
    JOIN = auto()
    SETTING = auto()
    DEFECT = auto()
    GROUP = auto()
    INPUTS = auto()


class Compared(StrEnum):
    """What a change of a field does to evidence recorded before it."""

    MEANING = auto()
    """It no longer speaks for what stands there now."""
    DESTINATION = auto()
    """It still does; the way on is another."""
    WORDING = auto()
    """It still does."""
    NOT = auto()
    """The field is compared elsewhere."""


@dataclass(frozen=True, slots=True)
class FieldSpec:
    """One field of the procedure file.

    Attributes:
        kind: what one value of it is.
        help: what it holds, for ``flow_schema --words`` and the JSON Schema.
        label: what the desk calls it.
        limit: the most entries of a list or of a keyed group; 0 for a single value.
        name: what the file calls it, where that is not the attribute's name.
        place: its place in the file, where that is not its place in the class.
        compared: what a change of it does to evidence.
        fact: what a comparison calls it, where that is not its name.
        words: for a truth, what a comparison says of False and True.
        joint: what a comparison writes between the entries of a list.
        folded: whether capitals and outer blanks make no difference to a comparison.
        typed: whether the desk has one text field or one choice for it.
        of: the class of a group that is no list.
        more: the label in the card's list of further plain fields; a field with one needs no markup of its own.
    """

    kind: Kind
    help: str
    label: str = ""
    limit: int = 0
    name: str = ""
    place: float | None = None
    compared: Compared = Compared.WORDING
    fact: str = ""
    words: tuple[str, str] = ("", "true")
    joint: str = ", "
    folded: bool = False
    typed: bool = False
    of: type | None = None
    more: str = ""


def spec(kind: Kind, help: str, **further: Any) -> dict[str, FieldSpec]:
    """The metadata of a dataclass field; the arguments are those of :class:`FieldSpec`."""
    return {"file": FieldSpec(kind, help, **further)}


@dataclass(frozen=True, slots=True)
class FileField:
    """A field of a class together with its specification. ``name`` is the file's, ``attribute`` the class's."""

    attribute: str
    name: str
    default: Any
    spec: FieldSpec

    @property
    def is_required(self) -> bool:
        return self.default is dataclasses.MISSING


@cache
def file_fields(owner: type) -> tuple[FileField, ...]:
    """The fields of a class that stand in the file, in the order of the class."""
    return tuple(
        FileField(each.name, each.metadata["file"].name or each.name, each.default, each.metadata["file"])
        for each in dataclasses.fields(owner)
        if "file" in each.metadata
    )


@cache
def in_file_order(owner: type) -> tuple[FileField, ...]:
    """The same in the order in which they are written."""
    places = {each: place if (own := each.spec.place) is None else own for place, each in enumerate(file_fields(owner))}
    return tuple(sorted(places, key=lambda each: places[each]))


def typed_names(owner: type) -> tuple[str, ...]:
    """The names of the fields for which the desk has one text field or one choice."""
    return tuple(each.name for each in file_fields(owner) if each.spec.typed)


def labels(*owners: type) -> dict[str, str]:
    """What the desk calls the fields of these classes, by the file's names."""
    return {each.name: each.spec.label for owner in owners for each in file_fields(owner) if each.spec.label}
