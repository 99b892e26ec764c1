"""Procedure file to :class:`Flow`: every structural error in one pass, with line, field and what would be right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, cast

from pydantic import ValidationError

from shopkb.core.flow.fields import FileField, Kind, file_fields
from shopkb.core.flow.file.scalars import OURS, did_you_mean, what
from shopkb.core.flow.file.schema import Entry, FlowFile, entry_at
from shopkb.core.flow.file.yaml_tree import FieldPath, FileRefused, compose, where_of
from shopkb.core.flow.findings import CheckFinding, Level
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.core.typed_text import quoted, shown, spoken_list

FINDING_LIMIT = 200
"""Findings told of one file; more would not be read."""


@dataclass(frozen=True, slots=True)
class ReadOutcome:
    """What reading gave: the flow, or None with the errors that stand in its way.

    ``lines`` gives the line of each field by its ``where``, so that findings of the checks can name lines too.
    """

    flow: Flow | None
    findings: tuple[CheckFinding, ...] = ()
    lines: Mapping[str, int] = field(default_factory=dict)


def read_flow(data: bytes | str) -> ReadOutcome:
    """Read a procedure file. Whatever the bytes, nothing is raised: ``flow`` is None exactly if there are findings."""
    try:
        composed = compose(data)
    except FileRefused as refusal:
        return ReadOutcome(None, (refusal.finding,))
    lines = MappingProxyType(composed.lines)
    read = read_tree(composed.tree, lines)
    if composed.findings:
        return ReadOutcome(None, _sorted([*composed.findings, *read.findings]), lines)
    return read


def read_tree(tree: object, lines: Mapping[str, int] | None = None) -> ReadOutcome:
    """Read the fields of a procedure file, as :func:`~shopkb.core.flow.file.writer.flow_tree` gives them."""
    known = lines or {}
    try:
        file = FlowFile.model_validate(tree)
    except ValidationError as error:
        return ReadOutcome(None, _sorted(_told(error, known)), known)
    return ReadOutcome(cast("Flow", build(file, cast("Mapping[str, Any]", tree))), (), known)


def with_lines(findings: Iterable[CheckFinding], lines: Mapping[str, int]) -> tuple[CheckFinding, ...]:
    """The findings with the line of their field, or of the nearest group around it that stands in the file."""
    return tuple(replace(finding, line=_nearest(finding.where, lines)) for finding in findings)


def _nearest(where: str, lines: Mapping[str, int]) -> int | None:
    while where:
        if where in lines:
            return lines[where]
        where = where.rpartition(".")[0]
    return None


def _sorted(findings: list[CheckFinding]) -> tuple[CheckFinding, ...]:
    ordered = sorted(findings, key=lambda finding: (finding.line or 0, finding.where))
    if len(ordered) <= FINDING_LIMIT:
        return tuple(ordered)
    more = len(ordered) - FINDING_LIMIT
    rest = CheckFinding("file-more", Level.ERROR, "", f"{more} more errors are not listed", "Mend those above first.")
    return (*ordered[:FINDING_LIMIT], rest)


# What pydantic found, in our words -------------------------------------------------------------------------------


def _told(error: ValidationError, lines: Mapping[str, int]) -> list[CheckFinding]:
    details = error.errors(include_url=False)
    # Beyond the limit nobody reads the words, only the number counts.
    told = [_finding(detail, lines) for detail in details[:FINDING_LIMIT]]
    return told + [told[-1]] * (len(details) - len(told))


def _finding(detail: Mapping[str, Any], lines: Mapping[str, int]) -> CheckFinding:
    place, kind = _place(detail["loc"])
    identity, message, hint = _words(detail, place, kind)
    where = where_of(place)
    step = shown(str(place[1])) if len(place) > 1 and place[0] == "steps" else ""
    return CheckFinding(identity, Level.ERROR, where, message, hint, _nearest(where, lines), step)


def _place(loc: tuple[str | int, ...]) -> tuple[FieldPath, str]:
    """The place in the file, without the marks pydantic adds for keys and kinds of values."""
    if loc and loc[-1] == "[key]":
        loc = loc[:-1]
    if len(loc) > 2 and loc[0] == "values" and loc[2] in ("asked", "computed"):
        return (*loc[:2], *loc[3:]), str(loc[2])
    return loc, ""


def _words(detail: Mapping[str, Any], place: FieldPath, kind: str) -> tuple[str, str, str]:
    """Id of the finding, message and hint for one error."""
    context = detail.get("ctx", {})
    match detail["type"]:
        case t if t == OURS:
            return context["id"], context["message"], context["hint"]
        case "extra_forbidden":
            return _unknown(place, kind)
        case "missing":
            return _missing(place, kind)
        case "too_long":
            return _too_many(place, context["max_length"], len(detail["input"]))
        case "list_type":
            given = detail["input"]
            hint = f"Put it in square brackets: [{given}]." if _short(given) else "Put the entries in square brackets."
            return "field-type", f"A list is needed, not {what(given)}", hint
        case "string_type":
            return "field-type", f"A text is needed, not {what(detail['input'])}", "Write the text behind the colon."
        case _:
            hint = "Write its fields below it, each with a key, a colon and a space."
            return "field-type", f"A group of fields is needed, not {what(detail['input'])}", hint


def _short(given: object) -> bool:
    return isinstance(given, str) and 0 < len(given) <= 40 and given.isprintable()


def _unknown(place: FieldPath, kind: str) -> tuple[str, str, str]:
    entry = entry_at(place[:-1], kind)
    names, key = entry.field_names(), str(place[-1])
    hint = f"{did_you_mean(key, names)}It can have {spoken_list(names, 'and')}."
    return "field-unknown", f"{quoted(key)} is not a field of {entry.noun}", hint


def _missing(place: FieldPath, kind: str) -> tuple[str, str, str]:
    entry = entry_at(place[:-1], kind)
    name = str(place[-1])
    if kind == "asked" and name == "ask":
        return "field-missing", "A value needs ask or compute", "Add ask: and the question, or compute: and its name."
    info = next(info for own, info in entry.model_fields.items() if name in (own, info.alias))
    return "field-missing", f"{entry.noun.capitalize()} needs {name}", f"Add {name}: ({info.description})."


def _too_many(place: FieldPath, most: int, given: int) -> tuple[str, str, str]:
    hints = {"steps": "Split the procedure and hand over.", "outcomes": "Split the step."}
    hint = hints.get(str(place[-1]), "Remove some.")
    return "field-too-many", f"There are {given} entries, at most {most} are possible", hint


# The file as a flow ----------------------------------------------------------------------------------------------


def build(entry: Entry, tree: Mapping[str, Any], **key: str) -> Any:
    """The value that a group of fields stands for: one of ``entry.builds``, with its key where it has one.

    ``tree`` is the whole file, in which an outcome's destination is looked up.
    """
    return entry.builds(**key, **{each.attribute: _value(each, entry, tree) for each in file_fields(entry.builds)})


def _value(field: FileField, entry: Entry, tree: Mapping[str, Any]) -> Any:
    if field.spec.kind is Kind.INPUTS:
        return tuple((entry.model_extra or {}).items())
    value = getattr(entry, field.attribute)
    match value:
        case Entry():
            return build(value, tree)
        case dict():
            return tuple(build(each, tree, key=key) for key, each in value.items())
        case list():
            return tuple(value)
        case str() if field.spec.kind is Kind.GO:
            return _go(value, tree)
    return value


def _go(text: str, tree: Mapping[str, Any]) -> Go:
    if text == "out":
        return Go(GoKind.OUT)
    word, _, key = text.partition(" ")
    if key:
        return Go(GoKind.HAND_OVER, key)
    if word in (tree.get("steps") or {}):
        return Go(GoKind.STEP, word)
    return Go(GoKind.CAUSE if word in (tree.get("causes") or {}) else GoKind.NOWHERE, word)
