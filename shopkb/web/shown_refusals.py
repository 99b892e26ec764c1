"""What a door of the tool refuses, shown to whoever asked: on the form, or as a message on the next page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType

from django import forms
from django.contrib import messages
from django.http import HttpRequest


@dataclass(frozen=True, slots=True)
class Shown:
    """A ``with`` block that ends where one of the ``refusals`` is raised in it, and hands its sentence to ``show``."""

    refusals: type[Exception]
    show: Callable[[str], object]

    def __enter__(self) -> None:
        """Nothing to prepare."""

    def __exit__(
        self, _kind: type[BaseException] | None, error: BaseException | None, _trace: TracebackType | None
    ) -> bool:
        if not isinstance(error, self.refusals):
            return False
        self.show(str(error))
        return True


def shown_on(form: forms.BaseForm, refusals: type[Exception], field: str | None = None) -> Shown:
    """As an error of the form, or of one of its fields."""
    return Shown(refusals, lambda sentence: form.add_error(field, sentence))


def shown_as_message(request: HttpRequest, refusals: type[Exception]) -> Shown:
    return Shown(refusals, lambda sentence: messages.error(request, sentence))
