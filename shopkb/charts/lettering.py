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


@lru_cache(maxsize=8192)
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


_LEFT_OUT = frozenset(
    {
        "a", "an", "and", "are", "as", "at", "by", "for", "from", "has", "have", "in", "into", "is", "it", "its", "of",
        "on", "or", "the", "then", "to", "with",
    }
)  # fmt: skip


def telling_words(text: str, most: int = 3) -> tuple[str, ...]:
    """The first words that tell something: ``Voltage lost on the feed`` as ``Voltage``, ``lost``, ``feed``."""
    words = [word.strip(",;:.?!()") for word in clean(text).split()]
    telling = [word for word in words if word and word.lower() not in _LEFT_OUT]
    return tuple(shortened(word, 14) for word in (telling or words)[:most])


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


def wrap_to(text: str, points: float, size: float, *, bold: bool = False) -> tuple[str, ...]:
    """Lines of at most so many points in the charts' own typeface. A word wider than that is broken."""
    lines: list[str] = []
    for word in clean(text).split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and set_width(joined, size, bold=bold) <= points:
            lines[-1] = joined
        elif set_width(word, size, bold=bold) <= points:
            lines.append(word)
        else:
            lines.extend(_pieces(word, max(int(points / size), 2)))
    return tuple(lines)


@lru_cache(maxsize=8192)
def set_width(line: str, size: float, *, bold: bool = False) -> float:
    """Width of a line in points as Atkinson Hyperlegible Next sets it, at the advance widths of its own table."""
    return size * sum(_advance(character, bold) for character in line)


@lru_cache(maxsize=4096)
def _advance(character: str, bold: bool) -> float:
    """Of one character in em; 1 where the typeface has none, which no letter of another is wider than."""
    if not character.isascii():
        return 0.65 if character.isalpha() and character < "\u0250" else float(_columns_of(character))
    widths = _BOLD if bold else _REGULAR
    return next((width for width, characters in widths if character in characters), 0.6)


# Advance widths in em, of the font files in fonts/.
_REGULAR = (
    (0.16, "'"), (0.21, ",.:;"), (0.24, "`j|"), (0.26, "il"), (0.28, " "), (0.3, '!"()'), (0.33, "ft["),
    (0.37, "]{}r-_"), (0.41, "/I\\1"), (0.47, "yvzs"), (0.49, "*?cxk"), (0.51, "7J"), (0.55, "aLeu2<>F^hno"),
    (0.58, "Tdg~EYbpq3"), (0.6, "$59PSV6"), (0.63, "+48BRZX=AK"), (0.68, "#0CDw"), (0.73, "GHNUOQ&"), (0.78, "@"),
    (0.86, "MmW"), (0.92, "%"),
)  # fmt: skip
_BOLD = (
    (0.21, "'"), (0.27, "|j,.:;"), (0.32, "`!i l"), (0.38, "()[]f-rt{}"), (0.44, '"_I/1\\'), (0.53, "*cszyv"),
    (0.57, "7x~?LaJek9<>Fhnu"), (0.6, "2^o+g3Ebdpq"), (0.63, "$5=ST48Z6P"), (0.66, "BVRY0CK"), (0.7, "ADUXH"),
    (0.77, "&GNwOQ#"), (0.78, "@"), (0.89, "MmW"), (0.97, "%"),
)  # fmt: skip


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
