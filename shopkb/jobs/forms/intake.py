"""What is taken down when a vehicle is booked in."""

from __future__ import annotations

import re
from typing import Any

from django import forms

from shopkb.catalog.models import Platform, Symptom
from shopkb.core.identifiers import IdentifierError, parse_trouble_code
from shopkb.jobs.actions.intake import Intake
from shopkb.jobs.actions.vehicles import any_vehicle
from shopkb.jobs.forms.fields import IdempotentForm, PlatformField, VinField
from shopkb.jobs.models import Job
from shopkb.jobs.registrations import normal_registration
from shopkb.web.mileage import kilometres, mileage_unit
from shopkb.web.numbers import row_number


class IntakeForm(IdempotentForm):
    """What is taken down when a vehicle comes in."""

    registration = forms.CharField(max_length=20, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    platform = PlatformField(
        label="Vehicle",
        queryset=Platform.objects.order_by("tree_id", "lft"),
        empty_label="choose the vehicle",
        required=False,
    )
    vin = VinField(
        label="VIN",
        max_length=40,
        required=False,
        help_text="17 characters. Check digit shown for information.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters", "class": "mono"}),
    )
    year = forms.IntegerField(min_value=1950, max_value=2100, required=False)
    odometer = forms.IntegerField(
        label="Mileage", help_text=mileage_unit, min_value=0, max_value=5_000_000, required=False
    )
    complaint = forms.CharField(
        label="Complaint, in the customer's words", max_length=2000, widget=forms.Textarea(attrs={"rows": 3})
    )
    circumstances = forms.CharField(
        label="When and how it happens", max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    symptom = forms.ModelChoiceField(queryset=Symptom.objects.all(), required=False, empty_label="not chosen yet")
    codes = forms.CharField(
        label="Fault codes present",
        required=False,
        max_length=300,
        help_text="As the scan tool shows them, such as P0480, with blanks or commas between.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters", "class": "mono"}),
    )
    complaint_verified = forms.ChoiceField(
        label="Complaint verified", choices=Job.Verified.choices, initial=Job.Verified.NOT_YET, widget=forms.RadioSelect
    )

    comeback_of = forms.CharField(required=False, max_length=20, widget=forms.HiddenInput)
    doubts_shown = forms.CharField(required=False, max_length=16, widget=forms.HiddenInput)
    surely = forms.BooleanField(label="All of it is right", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        """Whether it is right is asked only where it does not fit what is known of the vehicle."""
        super().__init__(*args, **kwargs)
        if "surely" not in self.data:
            self._surely = self.fields.pop("surely")

    def ask_whether_right(self, why: str, digest: str) -> None:
        """Show the question, with the reason for it; a tick that answered other doubts is taken out."""
        if "surely" not in self.fields:
            self.fields["surely"] = self._surely
        data = {name: self.data[name] for name in self.data if name != self.add_prefix("surely")}
        self.data = {**data, self.add_prefix("doubts_shown"): digest}
        self.add_error("surely", why)

    def clean_registration(self) -> str:
        return normal_registration(self.cleaned_data["registration"])

    def clean_codes(self) -> list[str]:
        codes = []
        for part in re.split(r"[\s,;]+", self.cleaned_data["codes"].strip()):
            if not part:
                continue
            try:
                codes.append(parse_trouble_code(part))
            except IdentifierError as error:
                raise forms.ValidationError(str(error)) from error
        return list(dict.fromkeys(codes))

    def clean_comeback_of(self) -> Job | None:
        typed = self.cleaned_data["comeback_of"].strip()
        if not typed:
            return None
        number = row_number(typed)
        job = Job.objects.select_related("vehicle", "symptom__system").filter(pk=number).first() if number else None
        if job is None:
            raise forms.ValidationError(f"There is no job {typed[:20]}. Choose one of those shown, or none.")
        return job

    def intake(self) -> Intake:
        data = self.cleaned_data
        return Intake(
            registration=data["registration"],
            platform=data["platform"] or any_vehicle(),
            complaint=data["complaint"],
            client_id=data["client_id"],
            vin=data["vin"],
            year=data["year"],
            circumstances=data["circumstances"],
            symptom=data["symptom"],
            codes=data["codes"],
            odometer=None if data["odometer"] is None else kilometres(data["odometer"]),
            complaint_verified=Job.Verified(data["complaint_verified"]),
            comeback_of=data["comeback_of"],
            surely=bool(data.get("surely")),
            doubts_shown=data["doubts_shown"],
        )
