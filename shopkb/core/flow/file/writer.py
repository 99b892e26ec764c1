""":class:`Flow` to procedure file: the same flow always gives the same bytes, and reading them gives the same flow.

Texts are quoted wherever any YAML loader, of version 1.1 or 1.2, could take them for something else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from enum import StrEnum
from typing import Any

from shopkb.core.flow.circuit_forms import TextValue
from shopkb.core.flow.fields import Kind, in_file_order
from shopkb.core.flow.model import Flow, Go
from shopkb.core.readings.bands import Band
from shopkb.core.readings.expressions import Expression
from shopkb.core.readings.quantities import Quantity

WIDTH = 120
"""Characters up to which a small group is written in one line."""


class _Plain(str):
    """A text that is written as it stands: a number or true."""

    __slots__ = ()


class _InQuotes(str):
    """A text that is always written in quotes, for the eye: bands start with signs as often as not."""

    __slots__ = ()


def write_flow(flow: Flow) -> str:
    """The procedure file of a flow, fields in the order of the schema, ending in one line end."""
    return "".join(f"{line}\n" for line in _block(flow_tree(flow), 0))


def write_group(value: Any) -> str:
    """The fields of a part of a flow, its circuit for one, as they stand in the file; empty for None."""
    return "" if value is None else "".join(f"{line}\n" for line in _block(group_tree(value), 0))


# The flow as groups, lists and texts -----------------------------------------------------------------------------


def flow_tree(flow: Flow) -> dict[str, Any]:
    """The fields of a flow as they stand in its file; one that says nothing, or only its default, is left out."""
    return group_tree(flow)


def group_tree(value: Any) -> dict[str, Any]:
    """The fields of a flow, a step or another part, as they stand in the file."""
    tree: dict[str, Any] = {}
    for field in in_file_order(value.__class__):
        held = getattr(value, field.attribute)
        if field.spec.kind is Kind.INPUTS:
            tree |= dict(held)
        elif held != field.default and ((text := _written(held)) or not field.is_required):
            tree[field.name] = text
    return tree


def _written(value: Any) -> Any:
    """A value as it stands in the file: a text, a list of texts, or a group."""
    match value:
        case bool():
            return _Plain("true" if value else "false")
        case float() | int():
            return _number(value)
        case Band():
            return _InQuotes(value.text())
        case Go() | TextValue() | Expression():
            return value.text()
        case StrEnum() | Quantity():
            return str(value)
        case tuple():
            groups = {each.key: group_tree(each) for each in value if not isinstance(each, str | TextValue)}
            return groups or [str(each) for each in value]
        case str():
            return value
    return group_tree(value)


def _number(number: float) -> str:
    text = format(Decimal(repr(number)), "f")
    return _Plain(text.rstrip("0").rstrip(".") if "." in text else text)


# The groups, lists and texts as YAML -----------------------------------------------------------------------------


def _block(group: Mapping[str, Any], indent: int) -> Iterable[str]:
    pad = " " * indent
    for key, value in group.items():
        name = f"{pad}{_scalar(key)}:"
        if isinstance(value, Mapping):
            if _may_be_one_line(value) and len(small := f"{name} {_inline(value)}") <= WIDTH:
                yield small
            else:
                yield name
                yield from _block(value, indent + 2)
        elif isinstance(value, list):
            yield f"{name} [{', '.join(_inside(item) for item in value)}]"
        elif _is_literal(value):
            yield f"{name} {'|' if value.endswith(chr(10)) else '|-'}"
            yield from (f"{pad}  {line}" if line else "" for line in value.removesuffix("\n").split("\n"))
        else:
            yield f"{name} {_scalar(value)}"


def _may_be_one_line(group: Mapping[str, Any]) -> bool:
    return not any(isinstance(part, Mapping) or (isinstance(part, str) and "\n" in part) for part in group.values())


def _inline(group: Mapping[str, Any]) -> str:
    return "{" + ", ".join(f"{_scalar(key)}: {_inside(value)}" for key, value in group.items()) + "}"


def _inside(value: Any) -> str:
    """A value inside brackets, where commas and brackets have a meaning of their own."""
    if isinstance(value, list):
        return f"[{', '.join(_inside(item) for item in value)}]"
    if isinstance(value, Mapping):
        return _inline(value)
    return _quote(value) if re.search(r"[,\[\]{}]", value) else _scalar(value)


# A plain text starts with a letter, or is a number with a unit behind a space: no loader takes either for a number, a
# date or an indicator. Then only words that stand for true, false or nothing are left to be quoted.
_SAFE = re.compile(r"(?:-?[0-9]+(?:\.[0-9]+)? )?[^\W\d_](?:[\w .,;/()+*%°²'=<>-]*[\w.,;/()+*%°²'-])?")
_TAKEN = frozenset({"y", "n", "yes", "no", "on", "off", "true", "false", "null", "nan", "inf"})


def _scalar(text: str) -> str:
    if isinstance(text, _Plain):
        return text
    safe = not isinstance(text, _InQuotes) and _SAFE.fullmatch(text) and text.lower() not in _TAKEN
    return text if safe and text.isprintable() else _quote(text)


_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def _quote(text: str) -> str:
    if text.isprintable():
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return '"' + "".join(_ESCAPES.get(letter) or _escaped(letter) for letter in text) + '"'


def _escaped(letter: str) -> str:
    code = ord(letter)
    if letter.isprintable():
        return letter
    return f"\\x{code:02X}" if code < 0x100 else f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"


def _is_literal(text: str) -> bool:
    """Whether a text can stand as it is below its key: several lines, all printable, the first and last not blank."""
    if isinstance(text, (_Plain, _InQuotes)) or "\n" not in text:
        return False
    lines = text.removesuffix("\n").split("\n")
    blank_ends = not lines[0].strip() or not lines[-1].strip()
    return not blank_ends and not lines[0][0].isspace() and all(line.isprintable() for line in lines)
