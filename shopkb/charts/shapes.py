"""The signs of ISO 5807:1985 as Graphviz can draw them, and the room each gives its text.

Symbols are from memory of the standard. The Graphviz shape called ``terminator`` is a sign of gene maps, not this one.
Decisions and manual operations get their size from here, because Graphviz doubles a diamond around the corners of
its text where the lines of the text, short above and below, would let it be much smaller.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from shopkb.charts.lettering import balanced, block_size, fill, line_width, shortened
from shopkb.core.flow.model import Step, TestKind

TEXT_SIZE = 12.0
PADDING = 6.0  # points between text and outline
FOOT = 0.76  # of a manual operation: lower side to upper side
DISTORTION = 0.2  # gives that ratio
HEIGHT_COST = 5.0  # points of width worth giving to save one of height
GAP = "\N{NO-BREAK SPACE}\N{NO-BREAK SPACE}"  # between a step's number and its title


class Sign(StrEnum):
    """A sign of the standard, by its own name, as a class name of the drawing."""

    TERMINATOR = "terminator"
    DECISION = "decision"
    MANUAL_OPERATION = "manual-operation"
    PROCESS = "process"
    PREDEFINED_PROCESS = "predefined-process"


SHAPES: dict[Sign, dict[str, str]] = {
    Sign.TERMINATOR: {"shape": "box", "style": "rounded,filled", "margin": "0.14,0.05"},
    Sign.DECISION: {"shape": "diamond", "fixedsize": "true"},
    Sign.MANUAL_OPERATION: {
        "shape": "polygon", "sides": "4", "distortion": str(DISTORTION), "fixedsize": "true",
    },
    Sign.PROCESS: {"shape": "box", "margin": "0.14,0.07"},
    Sign.PREDEFINED_PROCESS: {"shape": "record", "margin": "0.06,0.08"},
}  # fmt: skip

BY_HAND = (TestKind.COMMAND, TestKind.SUBSTITUTE, TestKind.POWER_DIRECTLY)


def sign_of(step: Step) -> Sign:
    """The sign of a step: what is done by hand, what only moves on, and all else decides."""
    if step.test in BY_HAND:
        return Sign.MANUAL_OPERATION
    if step.test is TestKind.ACTION and len(step.outcomes) < 2:
        return Sign.PROCESS
    return Sign.DECISION


def step_lines(sign: Sign, number: int, title: str, remarks: tuple[str, ...] = ()) -> tuple[str, ...]:
    """A step's number and title, then remarks, in lines that suit its sign: a decision is short above and below."""
    text = shortened(title)
    if sign is not Sign.DECISION:
        lines = balanced(f"{number} {text}", 26)
        return (lines[0].replace(" ", GAP, 1), *lines[1:], *remarks)
    first, *others = text.split() or [""]
    words = [f"{number}{GAP}{first}", *others]
    choices = {
        (*fill(words, max(9, round(width * share)), width), *remarks)
        for width in range(12, 29, 2)
        for share in (0.5, 0.7, 1)
    }
    return min(choices, key=lambda lines: (_burden(decision_size(lines)), lines))


def size_of(sign: Sign, lines: Sequence[str]) -> tuple[float, float] | None:
    """Width and height in points where the sign does not take them from its text."""
    if sign is Sign.DECISION:
        return decision_size(lines)
    return manual_operation_size(lines) if sign is Sign.MANUAL_OPERATION else None


def _burden(size: tuple[float, float]) -> float:
    """How much of the page a decision takes. Height is dearer, for a chart grows downward and paper ends."""
    return size[0] + HEIGHT_COST * size[1]


def decision_size(lines: Sequence[str]) -> tuple[float, float]:
    """Width and height in points of the least diamond around centred lines, 2.2 to 4 times as wide as high.

    A point (x, y) lies inside when x / (W / 2) + y / (H / 2) <= 1; both corners of every line must.
    """
    _, high = block_size(lines, TEXT_SIZE)
    line_high = high / max(len(lines), 1)
    corners = []
    for index, line in enumerate(lines):
        below_top = index * line_high
        off_middle = max(abs(below_top - high / 2), abs(below_top + line_high - high / 2))
        corners.append((line_width(line, TEXT_SIZE) / 2 + PADDING, off_middle))
    sizes = []
    for ratio in (2.2, 2.5, 2.8, 3.2, 3.6, 4.0):
        half_width = max((x + y * ratio for x, y in corners), default=40.0)
        sizes.append((2 * half_width, 2 * half_width / ratio))
    return min(sizes, key=_burden)


def manual_operation_size(lines: Sequence[str]) -> tuple[float, float]:
    """Width and height in points of the trapezium, long side on top, that holds centred lines."""
    _, high = block_size(lines, TEXT_SIZE)
    step = high / max(len(lines), 1)
    height = high + 2 * PADDING
    needs = []
    for index, line in enumerate(lines):
        depth = (PADDING + (index + 1) * step) / height
        needs.append((line_width(line, TEXT_SIZE) + 2 * PADDING) / (1 - depth * (1 - FOOT)))
    return max([*needs, 90.0]), max(height, 34.0)
