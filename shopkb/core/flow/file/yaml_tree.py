"""YAML text to plain groups, lists and texts, with the line of every field.

Nothing is typed here: ``no``, ``1:30``, ``010`` and ``2026-01-05`` stay the texts they are, and what a field needs is
made of them later. What a procedure file never needs (tags, anchors, several documents) is refused, so that no file
can mean something unexpected or grow when it is read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentEndEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
    StreamEndEvent,
)

from shopkb.core.flow.file.scalars import unwanted_character
from shopkb.core.flow.findings import CheckFinding, Level
from shopkb.core.typed_text import name_character, quoted, shown

SIZE_LIMIT = 1024 * 1024
"""Bytes a procedure file may have."""
DEPTH_LIMIT = 8
"""Groups and lists inside each other; a procedure needs six."""
PART_LIMIT = 60_000
"""Groups, lists and texts in a file; the largest procedure allowed has about half of that."""

ENTRY_LIMIT = 1000
"""Entries of one group or list; a procedure has 200 steps at the most. Reading stops there: YAML is slow to read."""

FieldPath = tuple[str | int, ...]
Tree = dict[str, Any]


class FileRefused(Exception):
    """The file cannot be read further."""

    def __init__(self, kind: str, message: str, hint: str, line: int | None = None, where: str = "") -> None:
        super().__init__(message)
        self.finding = CheckFinding(kind, Level.ERROR, where, message, hint, line)


@dataclass(slots=True)
class Composed:
    """What a file holds: groups as dicts, lists, texts; None where nothing stands. ``lines`` count from 1.

    ``lines`` is keyed by the place as it is named in findings: ``steps.supply.tools.2``.
    """

    tree: Tree
    lines: dict[str, int] = field(default_factory=dict)
    findings: list[CheckFinding] = field(default_factory=list)


def where_of(place: FieldPath) -> str:
    """``steps.supply.tools.2``: keys joined by dots, items of a list counted from 1."""
    return ".".join(str(part + 1) if isinstance(part, int) else shown(part) for part in place)


def compose(data: bytes | str) -> Composed:
    """Read the text of a file.

    Raises:
        FileRefused: it is too large, not UTF-8, not YAML, or uses what a procedure file may not use.
    """
    text = _text(data)
    return _Composer(_events(text)).compose()


def _text(data: bytes | str) -> str:
    size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
    if size > SIZE_LIMIT:
        raise FileRefused(
            "file-too-large",
            f"The file has {size} bytes",
            f"A procedure file has at most {SIZE_LIMIT} (1 MiB); split the procedure, or remove what is not text.",
        )
    text = _decoded(data) if isinstance(data, bytes) else data
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    if bad := unwanted_character(text):
        raise FileRefused(
            "file-character",
            f"The file holds a character that no text should, {name_character(bad.group())}",
            "Remove it, and save the file as plain text.",
            _line_at(text, bad.start()),
        )
    return text


def _decoded(data: bytes) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileRefused(
            "file-not-utf8", "The file is not UTF-8 text", "Save it with the encoding UTF-8.", line
        ) from None


def _line_at(text: str, position: int) -> int:
    return text.count("\n", 0, position) + 1


def _events(text: str) -> Iterator[Any]:
    yaml = YAML(typ="safe", pure=True)
    try:
        yield from yaml.parse(text)
    except YAMLError as error:
        raise _syntax(error, text) from None
    except (ValueError, IndexError, KeyError, TypeError, AttributeError, OverflowError, AssertionError, RecursionError):
        # The library trips over some malformed escapes and directives instead of reporting them.
        raise FileRefused("file-syntax", "The file is not YAML", "Check quotes, brackets and indentation.") from None


class _Sign(NamedTuple):
    """Words of the library by which a mistake is known, and ours; ``opened`` when it began before it was noticed."""

    told: str
    message: str
    hint: str
    opened: bool = False


_SIGNS = (
    _Sign("\\t", "A tab stands where spaces are needed", "Indent with spaces."),
    _Sign("mapping values are not allowed", "A colon stands where none can", "Put a text with a colon in quotes."),
    _Sign("escape", "A backslash in double quotes starts no known character", "Double it, or use single quotes."),
    _Sign("quoted scalar", "A quote is opened and not closed", "Close it, or double an apostrophe in quotes.", True),
    _Sign("expected ',' or", "A bracket is opened and not closed in order", "Close it, with commas between.", True),
    _Sign("could not find expected ':'", "A line is neither a field nor a text", "Write key, colon, space.", True),
    _Sign("expected <block end>", "The indentation does not fit the lines above", "Align the fields of a group."),
    _Sign("cannot start any token", "A text starts with a character that YAML keeps for itself", "Put it in quotes."),
    _Sign("document start", "Something stands outside the fields", "Remove it, also lines that start with % or ..."),
)


def _syntax(error: YAMLError, text: str) -> FileRefused:
    """The library's error in our words, at the line where the mistake began."""
    problem, context = (str(getattr(error, part, None) or "") for part in ("problem", "context"))
    noticed, began = getattr(error, "problem_mark", None), getattr(error, "context_mark", None)
    sign = next((sign for sign in _SIGNS if sign.told in problem + context), None)
    mark = (began if sign is not None and sign.opened else None) or noticed or began
    line = min(mark.line, text.count("\n")) + 1 if mark is not None else None
    if sign is None:
        hint = "Check quotes, brackets and indentation."
        return FileRefused("file-syntax", "The file is not YAML from here on", hint, line)
    return FileRefused("file-syntax", sign.message, sign.hint, line)


@dataclass(slots=True)
class _Open:
    """A group or list being read; ``key`` waits for its value."""

    place: FieldPath
    holds: dict[str, Any] | list[Any]
    key: str | None = None
    twice: bool = False
    entries: int = 0


class _Composer:
    """Builds the tree event by event, without recursion, and stops at whatever is refused."""

    def __init__(self, events: Iterator[Any]) -> None:
        self.events = events
        self.open: list[_Open] = []
        self.parts = 0
        self.root: Any = None
        self.documents = 0
        self.composed = Composed({})

    def compose(self) -> Composed:
        for event in self.events:
            self._take(event)
        if self.root is None:
            raise FileRefused("file-empty", "The file is empty", "A procedure file starts with procedure: and its key.")
        if not isinstance(self.root, dict):
            raise FileRefused(
                "file-not-fields", "The file does not hold fields", "Start it with procedure: and the key.", 1
            )
        self.composed.tree = self.root
        return self.composed

    def _take(self, event: Any) -> None:
        line = event.start_mark.line + 1 if event.start_mark is not None else None
        if isinstance(event, (MappingEndEvent, SequenceEndEvent)):
            self.open.pop()
        elif isinstance(event, DocumentStartEvent):
            self._start_document(event, line)
        elif isinstance(event, (ScalarEvent, MappingStartEvent, SequenceStartEvent, AliasEvent)):
            self._refuse_unwanted(event, line)
            self._part(event, line or 1)
        elif not isinstance(event, (DocumentEndEvent, StreamEndEvent)):
            return

    def _start_document(self, event: Any, line: int | None) -> None:
        self.documents += 1
        if self.documents > 1:
            raise FileRefused(
                "file-several-documents", "A second document starts here", "Keep one procedure in a file.", line
            )
        if event.version is not None or event.tags:
            raise FileRefused(
                "file-syntax", "The file starts with a YAML directive", "Remove the lines that start with %.", line
            )

    def _refuse_unwanted(self, event: Any, line: int | None) -> None:
        where = where_of(self._place()) if self.open else ""
        if isinstance(event, AliasEvent) or event.anchor is not None:
            raise FileRefused(
                "file-alias",
                "An anchor (&) or alias (*) stands here; a procedure file has none",
                "Write the text out, or put a text that starts with & or * in quotes.",
                line,
                where,
            )
        if getattr(event, "tag", None) is not None:
            raise FileRefused(
                "file-tag",
                "A tag (!) stands here; a procedure file has none",
                "Remove it, or put a text that starts with ! in quotes.",
                line,
                where,
            )
        self.parts += 1
        if self.parts > PART_LIMIT:
            raise FileRefused(
                "file-too-much", f"The file has more than {PART_LIMIT} parts", "Split the procedure.", line
            )

    def _place(self) -> FieldPath:
        top = self.open[-1]
        if isinstance(top.holds, list):
            return (*top.place, len(top.holds))
        return (*top.place, top.key) if top.key is not None else top.place

    def _part(self, event: Any, line: int) -> None:
        top = self.open[-1] if self.open else None
        if top is not None and (isinstance(top.holds, list) or top.key is None):
            self._count(top, line)
        if top is not None and isinstance(top.holds, dict) and top.key is None:
            self._key(event, top, line)
            return
        place = self._place() if top is not None else ()
        if top is not None and not isinstance(top.holds, dict):
            self.composed.lines[where_of(place)] = line
        value = self._value(event, place, line)
        if top is None:
            self.root = value
        elif isinstance(top.holds, list):
            top.holds.append(value)
        else:
            if not top.twice and top.key is not None:
                top.holds[top.key] = value
            top.key, top.twice = None, False
        if not isinstance(event, ScalarEvent):
            self.open.append(_Open(place, value))
            if len(self.open) > DEPTH_LIMIT:
                raise FileRefused(
                    "file-too-deep",
                    "Groups or lists stand inside each other too deeply here",
                    "Check the brackets and the indentation.",
                    line,
                )

    def _count(self, top: _Open, line: int) -> None:
        top.entries += 1
        if top.entries > ENTRY_LIMIT:
            raise FileRefused(
                "file-too-much",
                f"More than {ENTRY_LIMIT} fields or entries stand in one group or list here",
                "Look whether this is the file of a procedure; if it is, split the procedure.",
                line,
                where_of(top.place),
            )

    def _value(self, event: Any, place: FieldPath, line: int) -> Any:
        if isinstance(event, MappingStartEvent):
            return {}
        if isinstance(event, SequenceStartEvent):
            return []
        text: str = event.value
        return None if not text and event.style is None else text

    def _key(self, event: Any, top: _Open, line: int) -> None:
        if not isinstance(event, ScalarEvent):
            raise FileRefused(
                "file-syntax", "A group or list stands where a key is needed", "Write a key, a colon and a space.", line
            )
        top.key = event.value
        place = (*top.place, event.value)
        where = where_of(place)
        assert isinstance(top.holds, dict)  # noqa: S101 (for the type checker: only groups have keys)
        if event.value in top.holds:
            top.twice = True
            first = self.composed.lines[where]
            self.composed.findings.append(
                CheckFinding(
                    "file-duplicate-key",
                    Level.ERROR,
                    where,
                    f"{quoted(event.value)} stands here a second time, first in line {first}",
                    "Keep one of the two, or give this one another key.",
                    line,
                )
            )
        else:
            self.composed.lines[where] = line
