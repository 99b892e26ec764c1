"""The catalog as a folder of YAML files: text in, values and faults out. Nothing is stored here.

Every fault of every file is reported in one pass, by file and field. Fields are judged by the validators of the
models, so a file, the admin and the database agree on what is right.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.events import AliasEvent, MappingEndEvent, MappingStartEvent, SequenceEndEvent, SequenceStartEvent

from shopkb.catalog.models import Access, Cause, Caution, Meter, OtherWords, Platform, Symptom, System
from shopkb.catalog.trees import NodeValue
from shopkb.web.storable import unstorable_field

SIZE_LIMIT = 1024 * 1024
"""Bytes a file may have."""
DEPTH_LIMIT = 12
"""Levels a tree may have."""
NESTING_LIMIT = 100
"""Lists and groups inside each other; a tree needs two for each level."""


@dataclass(frozen=True, slots=True)
class FileFault:
    """One thing wrong in one file. ``field`` says where: ``entry 3 (horn-silent), codes``; empty for the whole file."""

    file: str
    field: str
    message: str

    def text(self) -> str:
        return ": ".join(part for part in (self.file, self.field, self.message) if part)


@dataclass(frozen=True, slots=True)
class CatalogSheet:
    """How one file of records is read: its model, the fields an entry may have, and the one that names a system."""

    file: str
    model: type[models.Model]
    fields: tuple[str, ...]
    needed: tuple[str, ...]
    system_field: str = ""
    identity: tuple[str, ...] = ("key",)


SHEETS = (
    CatalogSheet("symptoms.yaml", Symptom, ("key", "name", "system", "words", "codes"), ("key", "name"), "system"),
    CatalogSheet("other-words.yaml", OtherWords, ("key", "words"), ("key", "words")),
    CatalogSheet(
        "cautions.yaml",
        Caution,
        ("key", "signal", "title", "text", "hazards", "ask"),
        ("key", "signal", "title", "text", "hazards"),
    ),
    CatalogSheet("access.yaml", Access, ("key", "name", "minutes", "hazards", "refit"), ("key", "name", "minutes")),
    CatalogSheet(
        "causes.yaml", Cause, ("component", "mode"), ("component", "mode"), "component", ("component", "mode")
    ),
    CatalogSheet("meters.yaml", Meter, ("key", "name", "accuracies"), ("key", "name", "accuracies")),
)
TREES: Mapping[str, type[System] | type[Platform]] = {"systems.yaml": System, "platforms.yaml": Platform}


@dataclass(frozen=True, slots=True)
class CatalogRow:
    """One record read: a model instance not yet stored, and the path of the system it names."""

    where: str
    row: models.Model
    system: str = ""


@dataclass(slots=True)
class CatalogFiles:
    """What a folder holds, by file name, and everything wrong with it."""

    trees: dict[str, tuple[NodeValue, ...]] = field(default_factory=dict)
    entries: dict[str, tuple[CatalogRow, ...]] = field(default_factory=dict)
    faults: list[FileFault] = field(default_factory=list)


def read_folder(folder: Path, without: Collection[str] = ()) -> CatalogFiles:
    """Read every catalog file that ``folder`` holds but those ``without``; other files there are left alone."""
    found = CatalogFiles()
    names = [name for name in (*TREES, *(sheet.file for sheet in SHEETS)) if name not in without]
    if not any((folder / name).is_file() for name in names):
        found.faults.append(FileFault(str(folder), "", f"No catalog file here. Expected any of: {', '.join(names)}."))
        return found
    for name, tree in TREES.items():
        if name in without:
            continue
        listed = _listed(folder / name, found.faults)
        if listed is not None:
            reader = _TreeReader(name, tree, found.faults)
            found.trees[name] = reader.nodes(listed, "")
    for sheet in SHEETS:
        if sheet.file in without:
            continue
        listed = _listed(folder / sheet.file, found.faults)
        if listed is not None:
            found.entries[sheet.file] = tuple(_entries(sheet, listed, found.faults))
    return found


def paths_in(nodes: tuple[NodeValue, ...], above: str = "") -> Iterator[str]:
    """Every path that these nodes make."""
    for node in nodes:
        path = f"{above}/{node.key}" if above else node.key
        yield path
        yield from paths_in(node.children, path)


def _listed(path: Path, faults: list[FileFault]) -> list[Any] | None:
    """The list a file holds; None, with a fault where there is one to tell, if there is no such list."""
    if not path.is_file():
        return None
    try:
        value = _loaded(path)
    except _Unreadable as fault:
        faults.append(FileFault(path.name, "", str(fault)))
        return None
    if not isinstance(value, list):
        faults.append(FileFault(path.name, "", "The file should hold a list, each entry beginning with a hyphen."))
        return None
    return value


class _Unreadable(Exception):
    pass


def _loaded(path: Path) -> Any:
    if path.stat().st_size > SIZE_LIMIT:
        raise _Unreadable(f"The file is larger than {SIZE_LIMIT // 1024} KiB. Split it or shorten it.")
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as fault:
        raise _Unreadable(f"The file is not UTF-8 text, first at byte {fault.start}. Save it as UTF-8.") from fault
    try:
        _refuse_growth(text)
        return _yaml().load(text)
    except YAMLError as fault:
        mark = getattr(fault, "problem_mark", None)
        line = f"Line {mark.line + 1}: " if mark is not None else ""
        problem = getattr(fault, "problem", None) or "not YAML"
        raise _Unreadable(f"{line}cannot be read as YAML ({problem}).") from fault


def _refuse_growth(text: str) -> None:
    """Refuse aliases and deep nesting, which make a small file large or slow, before anything is built of it."""
    depth = 0
    for event in _yaml().parse(text):
        if isinstance(event, AliasEvent):
            raise _Unreadable("The file repeats parts by alias (*name). Write each part out.")
        if isinstance(event, SequenceStartEvent | MappingStartEvent):
            depth += 1
        elif isinstance(event, SequenceEndEvent | MappingEndEvent):
            depth -= 1
        if depth > NESTING_LIMIT:
            raise _Unreadable("The file is nested too deep to be read. Make it flatter.")


def _yaml() -> YAML:
    return YAML(typ="safe", pure=True)


class _TreeReader:
    """Nodes of one tree file, faults collected on the way."""

    FIELDS = ("key", "name", "hazards", "children")

    def __init__(self, file: str, tree: type[System] | type[Platform], faults: list[FileFault]) -> None:
        self.file, self.tree, self.faults = file, tree, faults
        self.fields = self.FIELDS if tree is System else tuple(name for name in self.FIELDS if name != "hazards")

    def nodes(self, listed: object, above: str) -> tuple[NodeValue, ...]:
        if not isinstance(listed, list):
            self._fault(f"{above}, children", "This should be a list of nodes.")
            return ()
        if above.count("/") >= DEPTH_LIMIT:
            self._fault(above, f"The tree has more than {DEPTH_LIMIT} levels. Make it flatter.")
            return ()
        seen: set[str] = set()
        nodes: list[NodeValue] = []
        for number, item in enumerate(listed, start=1):
            node = self._node(item, number, above)
            if node is None:
                continue
            if node.key in seen:
                self._fault(_place(above, node.key), "Given twice. Give each key once among its siblings.")
            seen.add(node.key)
            nodes.append(node)
        return tuple(nodes)

    def _node(self, item: object, number: int, above: str) -> NodeValue | None:
        unnamed = f"entry {number}" + (f" below {above}" if above else "")
        mapping = _mapping(item, self.fields, ("key", "name"), self.file, unnamed, self.faults)
        if mapping is None:
            return None
        place = _place(above, str(mapping["key"]))
        own_fields = {name: value for name, value in mapping.items() if name != "children"}
        row = self.tree(**own_fields)
        judged = set(self.fields) - {"children"}
        for name, message in _field_faults(row, judged):
            self._fault(f"{place}, {name}", message)
        hazards = mapping.get("hazards", [])
        children = self.nodes(mapping["children"], place) if "children" in mapping else ()
        own_hazards = tuple(str(hazard) for hazard in hazards) if isinstance(hazards, list) else ()
        return NodeValue(str(row.key), str(row.name), own_hazards, children)

    def _fault(self, place: str, message: str) -> None:
        self.faults.append(FileFault(self.file, place, message))


def _place(above: str, key: str) -> str:
    return f"{above}/{key}" if above else key


def _entries(sheet: CatalogSheet, listed: list[Any], faults: list[FileFault]) -> Iterator[CatalogRow]:
    seen: set[tuple[str, ...]] = set()
    for number, item in enumerate(listed, start=1):
        mapping = _mapping(item, sheet.fields, sheet.needed, sheet.file, f"entry {number}", faults)
        if mapping is None:
            continue
        identity = tuple(str(mapping[name]).strip().lower() for name in sheet.identity)
        where = f"entry {number} ({' '.join(identity)})"
        if identity in seen:
            faults.append(FileFault(sheet.file, where, "Given twice. Give it once."))
        seen.add(identity)
        judged = {name for name in sheet.fields if name != sheet.system_field}
        row = sheet.model(**{name: value for name, value in mapping.items() if name in judged})
        problems = list(_field_faults(row, judged))
        faults.extend(FileFault(sheet.file, f"{where}, {name}", message) for name, message in problems)
        if not problems:
            yield CatalogRow(where, row, str(mapping.get(sheet.system_field, "")))


def _mapping(
    item: object, known: tuple[str, ...], needed: tuple[str, ...], file: str, where: str, faults: list[FileFault]
) -> dict[str, Any] | None:
    """The entry as a mapping that has every field needed; None, with faults, if it is not one."""
    if not isinstance(item, dict):
        faults.append(FileFault(file, where, f"This should be fields with values: {', '.join(known)}."))
        return None
    unknown = [str(name) for name in item if name not in known]
    for name in unknown:
        faults.append(FileFault(file, f"{where}, {name}", f"No such field. Known are: {', '.join(known)}."))
    missing = [name for name in needed if item.get(name) is None]
    for name in missing:
        faults.append(FileFault(file, f"{where}, {name}", "This field is missing."))
    if missing:
        return None
    return {name: value for name, value in item.items() if name in known and value is not None}


def _field_faults(row: models.Model, judged: set[str]) -> Iterator[tuple[str, str]]:
    """Faults of these fields and of the constraints that need no other row."""
    others = {item.name for item in row._meta.fields} - judged
    for item in row._meta.fields:
        value = getattr(row, item.attname)
        if item.name in judged and isinstance(item, models.CharField | models.TextField) and not isinstance(value, str):
            yield item.name, f"{value!r} is no text. Put it in quotation marks."
            others.add(item.name)
    try:
        row.clean_fields(exclude=others)
    except ValidationError as fault:
        for name, messages in fault.message_dict.items():
            yield from ((name, message) for message in messages)
        return
    if unstorable := unstorable_field(row):
        name, why = unstorable
        yield name, f"{why[:1].upper()}{why[1:]}"
        return
    for constraint in row._meta.constraints:
        if isinstance(constraint, models.CheckConstraint):
            try:
                constraint.validate(type(row), row, exclude=others)
            except ValidationError as fault:
                yield from (("ask" if isinstance(row, Caution) else "", message) for message in fault.messages)
