"""Whether a repair cured the complaint, and what was measured again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.utils.html import format_html_join

from shopkb.catalog.models import Meter
from shopkb.core.flow.model import Step
from shopkb.core.flow.points import Point
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.readings.plausible import check_not_below_all
from shopkb.core.readings.quantities import ReadingError, format_quantity
from shopkb.core.readings.units import UNITS
from shopkb.jobs.answering import Answer
from shopkb.jobs.forms.fields import IdempotentForm, NeededChoices, offer, unit_help, unit_spellings
from shopkb.jobs.models import Run, Verification
from shopkb.jobs.vehicle_state import PartOff
from shopkb.web.form_fields import NeededText

LONGEST_HOW = 2000


NOT_ASKED = '"%(value)s" is not asked here any more: the procedure has changed. Tick and read what it asks for now.'


NOT_REPEATED = (
    "%(count)s of %(of)s are not ticked: %(points)s. Do and tick them, or say here why it counts as cured without them."
)


class VerificationForm(IdempotentForm):
    """Whether the complaint is gone, point by point, and what proved the cause measured again."""

    cured = forms.ChoiceField(
        label="The conditions of the complaint, repeated: is it gone?",
        choices=[
            (Verification.Cured.YES.value, "cured: it is gone"),
            (Verification.Cured.NO.value, "not cured: it is still there"),
            (Verification.Cured.NOT_CHECKED.value, "not checked"),
        ],
        widget=forms.RadioSelect,
    )
    how = NeededText(
        label="How it was checked",
        max_length=2000,
        required=False,
        help_text="Needed unless it was not checked.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )

    def __init__(
        self,
        *args: Any,
        points: Sequence[Point] = (),
        step: Step | None = None,
        off: Sequence[PartOff] = (),
        **more: Any,
    ) -> None:
        """``points``: of how the procedure verifies; ``step``: the one that proved the cause; ``off``: what is still
        off the vehicle."""
        super().__init__(*args, **more)
        self.points, self.step, self.off = points, step, off
        if off:
            self.fields["back"] = NeededChoices(
                label="Still off or unplugged: tick what is back in place", required=False,
                widget=forms.CheckboxSelectMultiple,
                help_text="The complaint is tried on the vehicle as the customer drives it.",
            )  # fmt: skip
            offer(self, "back", [(f"{each.run.pk}:{each.part}", each.back_words) for each in off])
        if points or self._ticked_elsewhere():
            self.fields["seen"] = forms.MultipleChoiceField(
                label="Repeat the conditions of the complaint: tick what you did and saw", required=False,
                choices=[(point.text, point.text) for point in points], widget=forms.CheckboxSelectMultiple,
                error_messages={"invalid_choice": NOT_ASKED},
            )  # fmt: skip
        for number, point in enumerate(points):
            if point.reading:
                self.fields[f"asked_{number}"] = forms.CharField(
                    required=False, initial=point.text, strip=False, widget=forms.HiddenInput
                )
                self.fields[f"read_{number}"] = forms.CharField(
                    label="What was read", max_length=60, required=False, help_text=unit_help(point.unit),
                    widget=forms.TextInput(attrs={"autocomplete": "off", "data-units": unit_spellings(point.unit)}),
                )  # fmt: skip
        if points:
            self.fields["how"].label = "Anything else that was checked"
            self.fields["how"].help_text = "Tick above what you did and saw, or say it here."
        if step is not None:
            self._measure_again(step)

    def _measure_again(self, step: Step) -> None:
        if step.reading is not None:
            unit = step.reading.unit
            self.fields["typed"] = forms.CharField(
                label="Reading after the repair", max_length=60, required=False, help_text=unit_help(unit),
                widget=forms.TextInput(attrs={"autocomplete": "off", "inputmode": "decimal"}),
            )  # fmt: skip
        else:
            self.fields["outcome"] = forms.ChoiceField(
                label="What it says after the repair", required=False, widget=forms.RadioSelect,
                choices=[(outcome.key, outcome.label) for outcome in step.outcomes],
            )  # fmt: skip
        self.fields["why"] = forms.CharField(label="Why this is right after the repair", max_length=200, required=False)

    def _ticked_elsewhere(self) -> bool:
        """Whether points were ticked where this asks for none."""
        return any(name.startswith("seen") for name in self.data)

    @property
    def put_back(self) -> dict[Run, list[str]]:
        """The parts that are ticked as back in place, by the run that took them off."""
        ticked, found = set(self.cleaned_data.get("back", ())), defaultdict(list)
        for each in self.off:
            if f"{each.run.pk}:{each.part}" in ticked:
                found[each.run].append(each.part)
        return dict(found)

    @property
    def checks(self) -> list[tuple[forms.boundfield.BoundWidget, forms.BoundField | None]]:
        """Each point with the field of its reading, if it asks for one."""
        ticks = list(self["seen"]) if self.points else []
        return [(tick, self[f"read_{n}"] if f"read_{n}" in self.fields else None) for n, tick in enumerate(ticks)]

    @property
    def asked(self) -> str:
        """What each reading was asked for, as hidden fields: this page's own words, not those sent before."""
        fields = (f"asked_{n}" for n, point in enumerate(self.points) if point.reading)
        return format_html_join(
            "\n", '<input type="hidden" name="{}" value="{}">',
            ((name, self.fields[name].initial) for name in fields),
        )  # fmt: skip

    @property
    def again(self) -> list[forms.BoundField]:
        """The reading or the answer; why it is right only where one was given and refused."""
        said = self.is_bound and any(str(self[name].value() or "").strip() for name in self._measured)
        names = (*self._measured, *(["why"] if said else []))
        return [self[name] for name in names if name in self.fields]

    @property
    def _measured(self) -> list[str]:
        return [name for name in ("typed", "outcome") if name in self.fields]

    def answer(self, meter: Meter | None) -> Answer | None:
        """What was measured again; nothing where it was not."""
        data = self.cleaned_data
        if self.step is None or not (data.get("typed", "").strip() or data.get("outcome")):
            return None
        return Answer(
            self.step.key, data["client_id"], outcome=data.get("outcome", ""), typed=data.get("typed", ""),
            meter=meter, override_why=data["why"],
        )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        self._refuse_lost_readings()
        told = [self._said(number, data) for number in range(len(self.points))]
        self._refuse_cure_half_looked_at(told, data)
        data["how"] = "\n".join(words for words in (*told, data.get("how", "").strip()) if words)
        checked = data.get("cured") in (Verification.Cured.YES, Verification.Cured.NO)
        if checked and not data["how"] and not self.errors:
            self.add_error("how", "Say how it was checked: the conditions of the complaint, repeated.")
            return data
        if len(data["how"]) > LONGEST_HOW:
            self.add_error("how", f"This is longer than {LONGEST_HOW} characters with what is ticked. Say it shorter.")
        return data

    def _refuse_cure_half_looked_at(self, told: Sequence[str], data: Mapping[str, Any]) -> None:
        """A cure with conditions that nobody repeated needs a word on why it counts without them."""
        left = [point.text for point, words in zip(self.points, told, strict=True) if not words]
        some = left and len(left) < len(self.points)
        if some and data.get("cured") == Verification.Cured.YES and not data.get("how", "").strip() and not self.errors:
            self.add_error(
                "how", NOT_REPEATED % {"count": len(left), "of": len(self.points), "points": "; ".join(left)}
            )

    def _refuse_lost_readings(self) -> None:
        """Readings for which there is no place any more are refused, not left out; so are ticks without their words."""
        if any(name.startswith("seen_") for name in self.data):
            self.add_error("how", "What was ticked is not told in words. Open it again, and tick what you did and saw.")
        for name in self.data:
            if name.startswith("read_") and name not in self.fields and str(self.data[name]).strip():
                asked = self.data.get(f"asked_{name.removeprefix('read_')}") or self.data[name]
                self.add_error("how", NOT_ASKED % {"value": asked})

    def _said(self, number: int, data: Mapping[str, Any]) -> str:
        point, typed = self.points[number], str(data.get(f"read_{number}") or "").strip()
        if not typed:
            return f"{point.text}." if point.text in data.get("seen", ()) else ""
        if (asked := data.get(f"asked_{number}")) != point.text:
            self.add_error(f"read_{number}", NOT_ASKED % {"value": asked or typed})
            return ""
        if not point.unit:
            return f"{point.text}: {typed}."
        try:
            read = parse_quantity(typed, unit=point.unit)
            check_not_below_all(read, UNITS[read.unit].quantity)
            return f"{point.text}: {format_quantity(read)}."
        except ReadingError as error:
            self.add_error(f"read_{number}", f"{error.message} {error.hint}".strip())
            return ""
