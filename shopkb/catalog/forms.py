"""Forms of the catalog: lists as check boxes or as lines of text, systems by their path."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.core.exceptions import ValidationError
from django.template.loader import render_to_string
from django.utils.safestring import SafeString

from shopkb.catalog import trees
from shopkb.catalog.meter_accuracy import PARTS
from shopkb.catalog.models import Access, Cause, Caution, Meter, OtherWords, Platform, Symptom, System
from shopkb.catalog.platform_names import platform_name
from shopkb.catalog.wordings import SAFETY_FIELDS, is_safety_row, kind_of, uses_of_entry, would_propose
from shopkb.core.flow.checks.step_hazards import HAZARDS

SEPARATOR = ";"


class HazardsField(forms.MultipleChoiceField):
    """Hazards to tick; hands back the list of their keys in the order of :data:`HAZARDS`."""

    def __init__(self, **options: Any) -> None:
        choices = [(key, f"{words} ({key})") for key, words in HAZARDS.items()]
        super().__init__(choices=choices, required=False, widget=forms.CheckboxSelectMultiple, **options)


class LinesField(forms.CharField):
    """A list of texts, one a line. Blank lines and blanks at the ends do not count."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("required", False)
        super().__init__(widget=forms.Textarea(attrs={"rows": 6}), **options)

    def prepare_value(self, value: Any) -> Any:
        return "\n".join(value) if isinstance(value, list) else value

    def to_python(self, value: Any) -> Any:
        return [line.strip() for line in str(value or "").splitlines() if line.strip()]

    def has_changed(self, initial: Any, data: Any) -> bool:
        return bool((initial or []) != self.to_python(data))


class CodesField(LinesField):
    """Fault codes, one a line, in capitals whatever was typed."""

    def to_python(self, value: Any) -> Any:
        return [line.upper() for line in super().to_python(value)]


class RangesWidget(forms.Widget):
    """Ranges of a meter in rows, a box for each part; a few empty rows for more. It hands on what is typed as lines of
    :class:`AccuraciesField`."""

    template_name = "catalog/_ranges.html"
    use_fieldset = True
    MORE = 3
    MOST = 190
    """Rows that are read: five boxes each, of the thousand fields that Django takes from one form."""

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        lines = str(value or "").splitlines()
        typed = [[part.strip() for part in line.split(SEPARATOR)] for line in [*lines, *([""] * self.MORE)]]
        context["heads"] = [words for _part, words in RANGE_HEADS]
        context["ranges"] = [
            [
                (f"{name}-{at}-{part}", words, row[place] if place < len(row) else "")
                for place, (part, words) in enumerate(RANGE_HEADS)
            ]
            for at, row in enumerate(typed)
        ]
        context["quantities"] = METER_QUANTITIES
        return context

    def render(self, name: str, value: Any, attrs: Any = None, renderer: Any = None) -> SafeString:
        return render_to_string(self.template_name, self.get_context(name, value, attrs))

    def value_from_datadict(self, data: Any, files: Any, name: str) -> Any:
        if name in data:
            return data[name]
        rows = [[str(data.get(f"{name}-{at}-{part}", "")).strip() for part in PARTS] for at in range(self.MOST)]
        return "\n".join(f"{SEPARATOR} ".join(row) for row in rows if any(row))

    def value_omitted_from_data(self, data: Any, files: Any, name: str) -> bool:
        return name not in data and not any(str(key).startswith(f"{name}-") for key in data)


RANGE_HEADS = (
    ("quantity", "Quantity"),
    ("top", "Range, up to"),
    ("percent", "% of the reading"),
    ("counts", "Counts"),
    ("resolution", "Last digit"),
)
METER_QUANTITIES = (
    "voltage", "current", "resistance", "frequency", "ratio", "temperature", "pressure", "time", "power",
)  # fmt: skip


class AccuraciesField(LinesField):
    """Ranges of a meter, one a line: ``voltage; 60 V; 0.1; 2; 10 mV``."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.widget = RangesWidget()

    def prepare_value(self, value: Any) -> Any:
        if not isinstance(value, list):
            return value
        return "\n".join(f"{SEPARATOR} ".join(str(part.get(name, "")) for name in PARTS) for part in value)

    def to_python(self, value: Any) -> Any:
        return [self._range(number, line) for number, line in enumerate(super().to_python(value), start=1)]

    def has_changed(self, initial: Any, data: Any) -> bool:
        before: list[str] = (self.prepare_value(initial or []) or "").splitlines()
        return bool(before != LinesField.to_python(self, data))

    def _range(self, number: int, line: str) -> dict[str, Any]:
        parts = [part.strip() for part in line.split(SEPARATOR)]
        if len(parts) != len(PARTS):
            raise ValidationError(
                f"Row {number} has {len(parts)} of {len(PARTS)} parts. Give all of them: {', '.join(PARTS)}.",
                code="parts",
            )
        return {
            name: _as_number(part) if name in ("percent", "counts") else part
            for name, part in zip(PARTS, parts, strict=True)
        }


def _as_number(text: str) -> int | float | str:
    """A number as a catalog file would give it; what is none stays a text, for the validator to name."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


if TYPE_CHECKING:
    NodeChoiceField = forms.ModelChoiceField[Any]
    RowForm = forms.ModelForm[Any]
else:
    NodeChoiceField, RowForm = forms.ModelChoiceField, forms.ModelForm


class PathChoiceField(NodeChoiceField):
    """A node of a tree: a platform by its names from the top down, a system by its path and name."""

    def label_from_instance(self, obj: Any) -> str:
        if isinstance(obj, Platform):
            return platform_name(obj.path)
        return f"{obj.path}: {obj.name}"


class NodeForm(RowForm):
    """What both trees share. The write itself is done by :mod:`shopkb.catalog.trees`."""

    def clean(self) -> dict[str, Any] | None:
        cleaned = super().clean()
        tree = self._meta.model
        stored = tree.objects.filter(pk=self.instance.pk).first()
        key = self.instance.key if self.instance.pk else self.cleaned_data.get("key")
        if key and "parent" in self.cleaned_data:
            try:
                trees.refuse_place(stored, tree, key, self.cleaned_data["parent"])
            except trees.TreeRefusal as refusal:
                self.add_error("key" if "key" in self.fields else "parent", str(refusal))
        return cleaned


class SafetyForm(RowForm):
    """A form of what safety rests on: what procedures use is proposed, with a reason, and a second person confirms."""

    why = forms.CharField(
        label="Why it changes",
        max_length=500,
        required=False,
        help_text="Needed where procedures use it: a second person reads this and confirms the change.",
    )

    def clean(self) -> dict[str, Any] | None:
        cleaned = super().clean()
        row = type(self.instance)._default_manager.filter(pk=self.instance.pk).first() if self.instance.pk else None
        if row is None or not is_safety_row(row) or self.errors:
            return cleaned
        wanted = {name: self.cleaned_data[name] for name in SAFETY_FIELDS[kind_of(row)] if name in self.cleaned_data}
        if would_propose(row, wanted) and not self.cleaned_data.get("why", "").strip():
            self.add_error(
                "why", f"Say why it changes: it is used by {uses_of_entry(row)[0]}, so a second person decides."
            )
        return cleaned


class SystemForm(NodeForm, SafetyForm):
    hazards = HazardsField(help_text="What it brings to itself and all below it.")

    class Meta:
        model = System
        fields = ("name", "key", "parent", "hazards")


class PlatformForm(NodeForm):
    """A model is asked for its kind: without one no procedure written for kinds is offered for it."""

    is_kind = forms.BooleanField(
        label="It is a kind of vehicle itself",
        required=False,
        help_text="It stands at the top of the list, below no other. Procedures of other kinds are not offered for it.",
    )

    class Meta:
        model = Platform
        fields = ("name", "key", "parent")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if "parent" in self.fields:
            self.fields["parent"].label = "Which kind of vehicle is it?"
            self.fields["parent"].help_text = (
                "The kind, or the model of that kind, that it belongs to. Procedures written for the kind are offered "
                "for it."
            )
        if self.instance.pk or not Platform.objects.exists():
            del self.fields["is_kind"]

    def clean(self) -> dict[str, Any] | None:
        cleaned = super().clean()
        if "is_kind" not in self.fields or "parent" not in self.cleaned_data:
            return cleaned
        if self.cleaned_data["parent"] is None and not self.cleaned_data["is_kind"]:
            self.add_error(
                "parent",
                "Choose the kind of vehicle it is, such as Diesel car: without one no procedure is offered for it. "
                "Tick below if it is a new kind itself.",
            )
        elif self.cleaned_data["parent"] is not None and self.cleaned_data["is_kind"]:
            self.add_error(
                "is_kind", "A kind of vehicle stands below no other. Take out the tick, or the choice above."
            )
        return cleaned


class SymptomForm(RowForm):
    words = LinesField(help_text="Everyday wordings, one a line.")
    codes = CodesField(help_text="Fault codes that suggest it, one a line, such as P0480.")

    class Meta:
        model = Symptom
        fields = ("name", "key", "system", "words", "codes")


class OtherWordsForm(RowForm):
    words = LinesField(required=True, help_text="All that mean the same, one a line, such as alternator and generator.")

    class Meta:
        model = OtherWords
        fields = ("key", "words")


class CauseForm(RowForm):
    class Meta:
        model = Cause
        fields = ("component", "mode")


class CautionForm(SafetyForm):
    hazards = HazardsField(help_text="The hazards it covers.")

    class Meta:
        model = Caution
        fields = ("key", "signal", "title", "text", "hazards", "ask")


class AccessForm(SafetyForm):
    hazards = HazardsField(help_text="What it brings.")

    class Meta:
        model = Access
        fields = ("name", "key", "minutes", "refit", "hazards")


class MeterForm(SafetyForm):
    accuracies = AccuraciesField(
        required=True,
        label="Ranges and limits of error",
        help_text="As the meter's manual gives them, such as voltage up to 60 V: 0.1 % of the reading and 2 counts, "
        "the last digit being 10 mV. Empty a row to take a range away.",
    )

    class Meta:
        model = Meter
        fields = ("name", "key", "accuracies")
