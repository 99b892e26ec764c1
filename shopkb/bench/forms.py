"""A computation's inputs as a form: each field reads its own text and says what would be right beside itself."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils.text import capfirst

from shopkb.core.readings.computations import Computation, Input, read_inputs
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.readings.quantities import ReadingError
from shopkb.core.readings.units import QUANTITIES, UNITS
from shopkb.core.typed_text import spoken_list
from shopkb.web.humanize import reading_text

LONGEST = 60
"""Characters one input may have."""


class InputField(forms.CharField):
    """A quantity or plain number. Gives back text with its unit, as a procedure file would have it."""

    def __init__(self, computation: Computation, field: Input) -> None:
        self.computation, self.field = computation, field
        super().__init__(
            label=_label(field),
            required=field.needed,
            max_length=LONGEST,
            help_text=_help(field),
            error_messages={"required": f"Enter {field.words}{_such_as(field)}."},
            widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        )

    def clean(self, value: Any) -> str:
        text = str(super().clean(value)).strip()
        if not text:
            return ""
        try:
            return _read(self.computation, self.field, text)
        except ReadingError as error:
            raise ValidationError(_message(error, self.computation, self.field)) from error


class ComputationForm(forms.Form):
    """The inputs of one computation, in its order; a choice is a list, everything else is typed."""

    use_required_attribute = False  # what is missing is said in our words, beside the field

    def __init__(self, computation: Computation, data: QueryDict | None) -> None:
        super().__init__(data)
        for field in computation.inputs:
            self.fields[field.name] = _choice(field) if field.choices else InputField(computation, field)

    def inputs(self) -> dict[str, str]:
        """What was given, by input name; what was left empty is left out."""
        return {name: text for name, text in self.cleaned_data.items() if text}


def _choice(field: Input) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=_label(field), required=False, choices=[(word, word) for word in field.choices], initial=field.default
    )


def _read(computation: Computation, field: Input, text: str) -> str:
    """The text with its unit, after the computation itself has read this one input."""
    if field.quantity:
        text = str(parse_quantity(text, field.quantity, field.unit))
    read_inputs(replace(computation, inputs=(field,)), {field.name: text}, {})
    return text


def _message(error: ReadingError, computation: Computation, field: Input) -> str:
    """The reader's own words, without the name of the field they stand beside."""
    message = error.message.removeprefix(f"{field.name} of {computation.name}: ")
    unit = f" {UNITS[field.unit].sign}" if field.unit else ""
    hint = error.hint.removesuffix(", or the name of a value of this procedure")
    hint = hint.replace("a number and its unit, such as 12.7 V", f"a number, such as 12.7{unit}")
    return f"{capfirst(message)}. {hint}." if hint else f"{capfirst(message)}."


def _label(field: Input) -> str:
    return capfirst(field.words.removeprefix("the "))


def _such_as(field: Input) -> str:
    return f", in {UNITS[field.unit].sign}" if field.unit else ", a plain number"


def _help(field: Input) -> str:
    others = [UNITS[symbol].sign for symbol in QUANTITIES.get(field.quantity, ()) if symbol != field.unit]
    parts = [f"Also in {spoken_list(others)}"] if others else []
    if field.default:
        size = parse_quantity(field.default, field.quantity) if field.quantity else field.default
        parts.append(f"{reading_text(size)} if left empty")
    return "; ".join(parts)
