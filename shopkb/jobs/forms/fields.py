"""Fields that more than one form of a job has: they hand back values of the domain."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.db.models import QuerySet

from shopkb.catalog.models import Cause, Platform
from shopkb.catalog.platform_names import platform_name
from shopkb.core.identifiers import VinState, check_vin
from shopkb.core.readings.units import UNITS
from shopkb.web.money import typed_amount
from shopkb.web.numbers import row_number

if TYPE_CHECKING:
    PlatformChoice = forms.ModelChoiceField[Platform]
    CauseChoice = forms.ModelChoiceField[Cause]
    CauseChoices = forms.ModelMultipleChoiceField[Cause]
else:
    CauseChoice = forms.ModelChoiceField
    PlatformChoice = forms.ModelChoiceField
    CauseChoices = forms.ModelMultipleChoiceField


class NamedPlatform(PlatformChoice):
    """A vehicle of the catalog, by its full name."""

    def label_from_instance(self, row: Platform) -> str:
        return platform_name(row.path)

    def to_python(self, value: Any) -> Platform | None:
        """As it is, but a number that no row can have is no choice: SQLite fails on it."""
        if value not in self.empty_values and row_number(str(getattr(value, "pk", value))) is None:
            raise forms.ValidationError(self.error_messages["invalid_choice"], params={"value": str(value)[:40]})
        return super().to_python(value)


class PlatformField(NamedPlatform):
    """It is needed where the catalog has any; in a shop without one it may be left out."""

    needed = True

    def clean(self, value: Any) -> Platform | None:
        found: Platform | None = super().clean(value)
        if found is None and Platform.objects.exists():
            raise forms.ValidationError("Choose the vehicle, or the kind it is of.", code="required")
        return found


class CausesField(CauseChoices):
    def clean(self, value: Any) -> QuerySet[Cause]:
        """As it is, but a number that no row can have is refused in words: SQLite fails on it."""
        odd = next((one for one in value or () if row_number(str(one)) is None), None)
        if odd is not None:
            raise forms.ValidationError(self.error_messages["invalid_pk_value"], params={"pk": str(odd)[:40]})
        return super().clean(value)


class CauseField(CauseChoice):
    def to_python(self, value: Any) -> Cause | None:
        """As it is, but a number that no row can have is no choice: SQLite fails on it."""
        if value not in self.empty_values and row_number(str(getattr(value, "pk", value))) is None:
            raise forms.ValidationError(self.error_messages["invalid_choice"], params={"value": str(value)[:40]})
        return super().to_python(value)


class NeededChoices(forms.MultipleChoiceField):
    """Ticks that the form's own check asks for: they are not called optional."""

    needed = True


class IdempotentForm(forms.Form):
    """A form that may be sent twice: it carries the id its browser made, so the second sending changes nothing."""

    client_id = forms.UUIDField(widget=forms.HiddenInput, initial=uuid.uuid4)


class VinField(forms.CharField):
    """A vehicle identification number, tidied. One that cannot be is refused; a check digit that does not fit is a
    reason to look again, and no refusal."""

    def clean(self, value: Any) -> str:
        typed = str(super().clean(value) or "")
        if not typed.strip():
            return ""
        checked = check_vin(typed)
        if checked.state is VinState.MALFORMED:
            raise forms.ValidationError(checked.words)
        return checked.vin


class PriceField(forms.DecimalField):
    def to_python(self, value: Any) -> Any:
        """As it is, but with the shop's currency or a decimal comma it is a number too."""
        return super().to_python(typed_amount(value) if isinstance(value, str) else value)


def unit_help(unit: str) -> str:
    """Which unit a typed number is in where none stands behind it."""
    return f"In {UNITS[unit].sign}, or with another unit behind it." if unit else ""


def unit_spellings(unit: str) -> str:
    """Every spelling of the units that a reading in this one may be typed in, blanks between; empty: any words do."""
    if not unit:
        return ""
    quantity = UNITS[unit].quantity
    more = {"resistance": ["k", "M"], "temperature": ["deg", "degree", "degrees"]}.get(quantity, [])
    alike = [each for each in UNITS.values() if each.quantity == quantity]
    found = [word for each in alike for word in (each.symbol, each.sign, each.spoken, *each.aliases)]
    return " ".join(dict.fromkeys(word.replace(" ", "") for word in [*found, *more]))


def offer(form: forms.Form, name: str, choices: Sequence[tuple[object, str]]) -> None:
    """Set the choices of a field of a form that has just been made."""
    cast("forms.ChoiceField", form.fields[name]).choices = list(choices)
