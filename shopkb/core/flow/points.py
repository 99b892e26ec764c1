"""A procedure's prose as points that can be ticked, and which of them ask for a reading."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from shopkb.core.readings.units import UNITS

_ITEM: Final = re.compile(r"^\s*(?:[-*+]|\d+[.)])\s+")
_EMPHASIS: Final = re.compile(r"(\*\*|__|`)(?=\S)(.+?)(?<=\S)\1")
_SENTENCE_END: Final = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9(\"'])")
_AFTER_NUMBER: Final = re.compile(r"(?<![\w.,])[-+]?\d+(?:[.,]\d+)?\s?([^\W\d_]+\d?|%|°C|°F)(?![\w/])")
_ASKS: Final = re.compile(
    r"written down|\b(?:under|over|above|below|within|at least|at most|more than|less than|lower than|or colder|"
    r"rating|rated)\b",
    re.IGNORECASE,
)
_SET: Final = frozenset({"s", "ms", "min", "m", "mm", "cm", "L", "mL", "W", "%", "1/min"})
"""Units that say how long, how far or how fast it is tried, not what is to be read."""


@dataclass(frozen=True, slots=True)
class Point:
    """One thing to do or to see. ``reading``: it asks for one, in ``unit`` (a symbol; empty: in whatever unit)."""

    text: str
    reading: bool = False
    unit: str = ""


def points(prose: str) -> tuple[Point, ...]:
    """The list items and sentences of some Markdown prose, without its emphasis and final full stops."""
    blocks: list[str] = []
    for line in prose.splitlines():
        if not blocks or _ITEM.match(line) or not line.strip():
            blocks.append("")
        blocks[-1] = f"{blocks[-1]} {_ITEM.sub('', line).strip()}".strip()
    plain = [_EMPHASIS.sub(r"\2", block) for block in blocks]
    found = [part.strip() for block in plain for part in _SENTENCE_END.split(block)]
    return tuple(_point(text.removesuffix(".")) for text in found if text)


def _point(text: str) -> Point:
    signs = {sign: unit.symbol for unit in UNITS.values() for sign in (unit.symbol, unit.sign)}
    named = [signs[word] for word in _AFTER_NUMBER.findall(text) if word in signs]
    unit = next((symbol for symbol in named if symbol not in _SET), "")
    asks = (bool(_ASKS.search(text)) and bool(unit)) or "written down" in text.lower()
    return Point(text, asks, unit if asks else "")
