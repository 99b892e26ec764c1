"""A repair: its cause, what was done, the parts."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.forms.utils import ErrorDict

from shopkb.catalog.cause_search import find_causes
from shopkb.catalog.models import Cause
from shopkb.core.flow.model import Proof
from shopkb.jobs.actions.repairing import MOST_PARTS, PartLine
from shopkb.jobs.forms.fields import (
    CauseField,
    CausesField,
    IdempotentForm,
    NeededChoices,
    PriceField,
    offer,
)
from shopkb.web.form_fields import NeededText
from shopkb.web.numbers import row_number


class PartForm(forms.Form):
    """One line of parts; a line without words is none."""

    words = forms.CharField(label="Part", max_length=200, required=False)
    number = forms.CharField(
        label="Part number", max_length=60, required=False, widget=forms.TextInput(attrs={"class": "mono"})
    )
    quantity = forms.DecimalField(
        label="How many", min_value=Decimal("0.01"), max_digits=7, decimal_places=2, required=False, localize=True,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )  # fmt: skip
    price = PriceField(
        label="Price of one", min_value=0, max_digits=10, decimal_places=2, required=False, localize=True,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not data.get("words", "").strip() and any(data.get(name) for name in ("number", "quantity", "price")):
            self.add_error("words", "Say which part this is.")
        return data

    @property
    def line(self) -> PartLine | None:
        data = self.cleaned_data
        if not data.get("words", "").strip():
            return None
        return PartLine(data["words"].strip(), data["number"].strip(), data["quantity"] or Decimal(1), data["price"])


PartLines = forms.formset_factory(PartForm, extra=1, max_num=MOST_PARTS, absolute_max=MOST_PARTS, validate_max=True)


class RepairForm(IdempotentForm):
    """A cause, how it was proven, what was done, what else was found.

    Of all causes it shows those at hand, those that some words found, and those chosen before.
    """

    cause = CauseField(queryset=Cause.objects.select_related("component"), widget=forms.RadioSelect, empty_label=None)
    find = forms.CharField(
        label="Another cause: find it by some words", max_length=100, required=False,
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
    )  # fmt: skip
    also = CausesField(
        label="Causes found together with it",
        queryset=Cause.objects.select_related("component"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    proof = forms.ChoiceField(
        label="How it was proven",
        choices=[
            (Proof.MEASURED.value, "measured"),
            (Proof.SUBSTITUTED.value, "substituted: another part in its place"),
            (Proof.SEEN.value, "seen"),
            (Proof.ELIMINATION.value, "only by elimination, which is weak"),
        ],
        widget=forms.RadioSelect,
    )
    done = NeededChoices(label="What was done: tick what you did", required=False, widget=forms.CheckboxSelectMultiple)
    correction = NeededText(
        label="What was done, in your words", max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    minutes = forms.IntegerField(label="Minutes the repair took", min_value=0, max_value=6000, required=False)
    also_found = forms.CharField(
        label="What else was found",
        max_length=2000,
        required=False,
        help_text="The burnt terminal, the motor that draws too much: what killed the part kills the next one.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )

    def __init__(
        self, *args: Any, at_hand: Sequence[Cause] = (), to_do: Sequence[str] = (), allowed: str = "", **more: Any
    ) -> None:
        """``to_do``: the points of the correction; ``allowed``: the time allowed for it, in words."""
        super().__init__(*args, **more)
        self.fields["minutes"].help_text = allowed
        self.found = find_causes(str(self["find"].value() or ""))
        chosen = self._chosen("cause")
        near = dict.fromkeys([*chosen, *at_hand])
        rows = list(dict.fromkeys([*near, *self.found]))
        self.near, self.further = slice(0, len(near)), slice(len(near), None)
        offer(self, "cause", [(row.pk, str(row)) for row in rows])
        offer(self, "also", [(row.pk, str(row)) for row in dict.fromkeys([*self._chosen("also"), *rows])])
        if not to_do:
            del self.fields["done"]
        else:
            offer(self, "done", [(point, point) for point in to_do])
            self.fields["correction"].label = "Anything else that was done"
            self.fields["correction"].needed = False  # type: ignore[attr-defined]

    @property
    def causes_near(self) -> list[forms.boundfield.BoundWidget]:
        """The causes at hand, as radio buttons."""
        return list(self["cause"])[self.near]

    @property
    def causes_found(self) -> list[forms.boundfield.BoundWidget]:
        """Further causes that the words found."""
        return list(self["cause"])[self.further]

    def _chosen(self, name: str) -> list[Cause]:
        value = self[name].value() or []
        given = value if isinstance(value, list | tuple) else [value]
        numbers = [row_number(str(getattr(one, "pk", one))) for one in given]
        known = [number for number in numbers if number is not None]
        return list(Cause.objects.select_related("component").filter(pk__in=known)) if known else []

    def unchecked(self) -> None:
        """Show what was typed as it is: the page only asks for more of it."""
        self._errors, self.cleaned_data = ErrorDict(), {}

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        ticked = [f"{point.removesuffix('.')}." for point in data.get("done", ())]
        data["correction"] = "\n".join(words for words in (*ticked, data.get("correction", "").strip()) if words)
        if not data["correction"] and "correction" not in self.errors:
            self.add_error("correction", "Say what was done to put it right.")
        return data
