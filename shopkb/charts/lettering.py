"""Text of charts: cleaned, broken into lines, its size estimated without a font.

Widths are estimated on the high side, since the font that draws may be wider than the one named.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

MOST_CHARACTERS = 300
REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
LINE_HEIGHT = 1.19  # em, as Graphviz spaces lines

_SPACE = re.compile(r"[^\S\u00a0]")
# Control characters, surrogates, and the non-characters at the end of every plane (Unicode 15, 23.7).
_UNREADABLE = re.compile(
    "[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef"
    + "".join(f"{chr(plane << 16 | 0xFFFE)}{chr(plane << 16 | 0xFFFF)}" for plane in range(17))
    + "]"
)
_JOINERS = "\u200c\u200d"
_NARROW = re.compile(r"[iIljtfr1.,:;'|!()\[\]/\\ \-]")
_BROAD = re.compile(r"[mwMW%@\u2014]")


def clean(text: str) -> str:
    """One line of text that XML can hold: white space collapsed, characters that XML cannot hold as U+FFFD.

    Control characters, surrogates and the non-characters are refused where text enters; a chart never fails on them.
    """
    return " ".join(printable(text).split())


def printable(text: str) -> str:
    """The text with every white space a space or no-break space, and U+FFFD for what XML cannot hold."""
    return _UNREADABLE.sub(REPLACEMENT, _SPACE.sub(" ", text))


def shortened(text: str, most: int = MOST_CHARACTERS) -> str:
    """Cleaned text of at most so many characters, cut after a whole word if one ends near, with an ellipsis."""
    text = clean(text)
    if len(text) <= most:
        return text
    kept = text[: most - 1]
    whole = text[:most].rpartition(" ")[0]
    return (whole if len(whole) > most * 2 // 3 else kept).rstrip(" ,;:") + "…"


@lru_cache(maxsize=4096)
def columns(text: str) -> int:
    """Columns the text takes: two for a wide East Asian character or emoji, none for a combining mark."""
    return sum(map(_columns_of, text))


@lru_cache(maxsize=4096)
def _columns_of(character: str) -> int:
    if unicodedata.combining(character) or unicodedata.category(character) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def wrap(text: str, width: int) -> tuple[str, ...]:
    """Lines of at most ``width`` columns. A word wider than that is broken, never inside a combined character."""
    return fill(clean(text).split(), width, width)


def fill(words: Sequence[str], first: int, width: int) -> tuple[str, ...]:
    """As :func:`wrap`, of words that stay whole where they can, with a narrower first line."""
    lines: list[str] = []
    used = 0
    for word in words:
        needs = columns(word)
        if lines and used + 1 + needs <= (first if len(lines) == 1 else width):
            lines[-1] += f" {word}"
            used += 1 + needs
        else:
            lines.extend(_pieces(word, width) if needs > width else [word])
            used = columns(lines[-1])
    return tuple(lines)


def _pieces(word: str, width: int) -> list[str]:
    """A word cut to the width; where it has joints (``cooling/fan-relay``), cut after one of them if it is near."""
    pieces: list[str] = []
    while columns(word) > width:
        end = _cut(word, width)
        pieces.append(word[:end])
        word = word[end:]
    return [*pieces, word] if word else pieces


def _cut(word: str, width: int) -> int:
    taken, end, joint = 0, 0, 0
    for index, character in enumerate(word):
        joined = _columns_of(character) == 0 or (index > 0 and word[index - 1] in _JOINERS)
        taken += _columns_of(character)
        if taken > width and end and not joined:
            break
        end = index + 1
        if character in "-/_.,;:\\" and taken > width // 2:
            joint = end
    # A mark that combines with the last character belongs to it, whatever its own width.
    return joint or end


def balanced(text: str, width: int) -> tuple[str, ...]:
    """As :func:`wrap`, with the lines made as even as they can be without adding one."""
    lines = wrap(text, width)
    for narrower in range(max(width - 10, 6), width):
        even = wrap(text, narrower)
        if len(even) == len(lines):
            return even
    return lines


@lru_cache(maxsize=4096)
def line_width(line: str, size: float) -> float:
    """Width of a line in points at a font size in points, estimated."""
    return size * sum(map(_em, line))


@lru_cache(maxsize=4096)
def _em(character: str) -> float:
    across = _columns_of(character)
    if across != 1:
        return 1.1 * (across > 0)
    if _NARROW.match(character):
        return 0.36
    return 0.92 if _BROAD.match(character) else 0.66 if character.isupper() else 0.59


def block_size(lines: Sequence[str], size: float) -> tuple[float, float]:
    """Width and height of some lines in points, estimated."""
    return max((line_width(line, size) for line in lines), default=0.0), len(lines) * size * LINE_HEIGHT
