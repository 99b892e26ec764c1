"""How typed text is refused: the error, what was typed in a sentence, and a list of what would be right."""

from __future__ import annotations

from collections.abc import Iterable

QUOTED = 40
"""Characters of typed text that stand in a sentence."""


class TypedTextError(ValueError):
    """Typed text that cannot be used: ``message`` says what is wrong, ``hint`` what would be right."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message, hint)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message}. {self.hint}" if self.hint else self.message


def name_character(character: str) -> str:
    """``U+0007``: how to name a character that cannot be shown."""
    return f"U+{ord(character):04X}"


def shown(text: str, limit: int = 60) -> str:
    """The text as it can stand in a message: in one line, unprintable characters named, cut when it is long."""
    start = " ".join(text[: 2 * limit].split())
    flat = "".join(letter if letter.isprintable() else f"<{name_character(letter)}>" for letter in start)
    return flat if len(flat) <= limit else f"{flat[: limit - 3].rstrip()}..."


def quoted(text: str) -> str:
    """The text in quotes, shortened, for use in a sentence."""
    return f"'{shown(text, QUOTED)}'"


def spoken_list(words: Iterable[str], joint: str = "or") -> str:
    """``a, b or c``."""
    *others, last = words
    return f"{', '.join(others)} {joint} {last}" if others else last
