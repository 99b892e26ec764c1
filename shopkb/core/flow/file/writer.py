""":class:`Flow` to procedure file: the same flow always gives the same bytes, and reading them gives the same flow.

Texts are quoted wherever any YAML loader, of version 1.1 or 1.2, could take them for something else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from shopkb.core.flow.model import AskedValue, Cause, Flow, Outcome, Step, Usual, Value
from shopkb.core.readings.bands import Band

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


# The flow as groups, lists and texts -----------------------------------------------------------------------------


def flow_tree(flow: Flow) -> dict[str, Any]:
    """The fields of a flow as they stand in its file; what says nothing is left out."""
    return _said(
        procedure=flow.procedure,
        title=flow.title,
        system=flow.system,
        symptoms=list(flow.symptoms),
        codes=list(flow.codes),
        platforms=None if flow.platforms == ("any",) else _listed(flow.platforms),
        summary=flow.summary,
        verify=flow.verify,
        values={value.key: _value(value) for value in flow.values},
        causes={cause.key: _cause(cause) for cause in flow.causes},
        start=flow.start,
        steps={step.key: _step(step) for step in flow.steps},
    )


def _said(**fields: Any) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value or isinstance(value, _Keep)}


class _Keep(list[str]):
    """A list that is written even when it is empty, where leaving it out would mean something else."""


def _listed(items: Iterable[str]) -> list[str]:
    return _Keep(items)


def _value(value: Value) -> dict[str, Any]:
    if isinstance(value, AskedValue):
        limits = {"from": value.low and str(value.low), "to": value.high and str(value.high)}
        return _said(ask=value.ask, unit=value.unit, **limits)
    return {"compute": value.compute, **dict(value.inputs)}


def _cause(cause: Cause) -> dict[str, Any]:
    return _said(
        component=cause.component,
        mode=cause.mode,
        usual=None if cause.usual is Usual.OCCASIONAL else str(cause.usual),
        correction=cause.correction,
        minutes=_number(cause.minutes),
        price=_number(cause.price),
        also=cause.also,
    )


def _step(step: Step) -> dict[str, Any]:
    reading = step.reading
    return _said(
        title=step.title,
        test=str(step.test),
        at=step.at,
        access=step.access,
        minutes=_number(step.minutes),
        needs=list(step.needs),
        tools=list(step.tools),
        cautions=list(step.cautions),
        isolates=list(step.isolates),
        picture=step.picture,
        reading=reading
        and _said(
            quantity=reading.quantity,
            unit=reading.unit,
            between=list(reading.between),
            loaded=_Plain("true") if reading.loaded else None,
        ),
        instruction=step.instruction,
        outcomes={outcome.key: _outcome(outcome) for outcome in step.outcomes},
    )


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return _said(
        label=outcome.label,
        band=_band(outcome.band),
        go=outcome.go.text(),
        proof=outcome.proof and str(outcome.proof),
        note=outcome.note,
    )


def _band(band: Band | None) -> str | None:
    return None if band is None else _InQuotes(band.text())


def _number(number: float | None) -> str | None:
    if number is None:
        return None
    text = format(Decimal(repr(number)), "f")
    return _Plain(text.rstrip("0").rstrip(".") if "." in text else text)


# The groups, lists and texts as YAML -----------------------------------------------------------------------------


def _block(group: Mapping[str, Any], indent: int) -> Iterable[str]:
    pad = " " * indent
    for key, value in group.items():
        name = f"{pad}{_scalar(key)}:"
        if isinstance(value, Mapping):
            small = f"{name} {_inline(value)}"
            if not any(isinstance(part, Mapping) for part in value.values()) and _fits(small, value):
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


def _fits(line: str, group: Mapping[str, Any]) -> bool:
    return len(line) <= WIDTH and not any(isinstance(part, str) and "\n" in part for part in group.values())


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
