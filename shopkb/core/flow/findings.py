"""What reading and checking a procedure find, as values that a page, a command or a test can show as they like."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Level(StrEnum):
    """An error keeps a procedure from being published; a warning is for the writer to weigh."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class CheckFinding:
    """One thing that is wrong or doubtful.

    ``where`` is the field as keys joined by dots (``steps.supply.outcomes.full.band``; items of a list are counted from
    1: ``steps.supply.tools.2``), empty for the file as a whole. ``message`` says what is wrong, without a final stop;
    ``hint`` says what would be right. ``line`` counts from 1. ``step`` is the key of the step it belongs to.
    """

    id: str
    level: Level
    where: str
    message: str
    hint: str
    line: int | None = None
    step: str = ""

    @property
    def is_error(self) -> bool:
        return self.level is Level.ERROR

    def text(self, file: str = "") -> str:
        """One line for a terminal: ``file:12: error band-gap at steps.x: message. hint``."""
        numbered = [file] if file else []
        if self.line is not None:
            numbered.append(str(self.line) if file else f"line {self.line}")
        place = f" at {self.where}" if self.where else ""
        head = ":".join(numbered) + ": " if numbered else ""
        sentence = f"{self.message.rstrip('.')}. {self.hint}".strip()
        return f"{head}{self.level} {self.id}{place}: {sentence}"

    def as_json(self) -> dict[str, str | int | None]:
        """The finding as plain data, ready for JSON."""
        return {
            "id": self.id,
            "level": str(self.level),
            "where": self.where,
            "message": self.message,
            "hint": self.hint,
            "line": self.line,
            "step": self.step,
        }
