"""What the doors of this room raise. Each carries a sentence that can be shown as it is."""

from __future__ import annotations


class NotPossible(Exception):
    """What was asked is not possible as things stand."""


class StepNotCurrent(NotPossible):
    """The step is not the one to do now; ``current`` is the key of the one that is, empty at an end."""

    def __init__(self, message: str, current: str) -> None:
        super().__init__(message)
        self.current = current


class UnknownStep(StepNotCurrent):
    """The revision followed has no such step."""


class IdempotencyConflict(NotPossible):
    """The same client id was used before for something else."""


class Unreadable(NotPossible):
    """What was typed cannot be read; ``hint`` says what would be right."""

    def __init__(self, message: str, hint: str = "") -> None:
        sentences = (part if part.endswith((".", "?")) else f"{part}." for part in (message, hint) if part)
        super().__init__(" ".join(sentences))
        self.hint = hint
