"""Forms of jobs: they hand back values of the domain."""

from __future__ import annotations

import re
import uuid
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.db.models import QuerySet

from shopkb.accounts.models import User
from shopkb.catalog.models import Cause, Platform, Symptom
from shopkb.catalog.platform_names import platform_name
from shopkb.core.flow.model import Proof
from shopkb.core.identifiers import IdentifierError, VinState, check_vin, parse_trouble_code
from shopkb.jobs.actions.intake import Intake, normal_registration
from shopkb.jobs.models import Job, Result, Verification
from shopkb.jobs.vehicle_state import PartOff
from shopkb.web.mileage import kilometres, mileage_unit
from shopkb.web.numbers import row_number

if TYPE_CHECKING:
    PlatformChoice = forms.ModelChoiceField[Platform]
    CauseChoices = forms.ModelMultipleChoiceField[Cause]
else:
    PlatformChoice = forms.ModelChoiceField
    CauseChoices = forms.ModelMultipleChoiceField


class PlatformField(PlatformChoice):
    def label_from_instance(self, row: Platform) -> str:
        return platform_name(row.path)


class CausesField(CauseChoices):
    def clean(self, value: Any) -> QuerySet[Cause]:
        """As it is, but a number that no row can have is refused in words: SQLite fails on it."""
        odd = next((one for one in value or () if row_number(str(one)) is None), None)
        if odd is not None:
            raise forms.ValidationError(self.error_messages["invalid_pk_value"], params={"pk": str(odd)[:40]})
        return super().clean(value)


class NeededText(forms.CharField):
    """Text that the form's own check asks for in most cases: it is not called optional."""

    needed = True


class NeededChoices(forms.MultipleChoiceField):
    """Ticks that the form's own check asks for: they are not called optional."""

    needed = True


class IdempotentForm(forms.Form):
    """A form that may be sent twice: it carries the id its browser made, so the second sending changes nothing."""

    client_id = forms.UUIDField(widget=forms.HiddenInput, initial=uuid.uuid4)


class IntakeForm(IdempotentForm):
    """What is taken down when a vehicle comes in."""

    registration = forms.CharField(max_length=20, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    platform = PlatformField(
        label="Vehicle", queryset=Platform.objects.order_by("tree_id", "lft"), empty_label="choose the vehicle"
    )
    vin = forms.CharField(
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

    def clean_vin(self) -> str:
        typed = self.cleaned_data["vin"]
        if not typed.strip():
            return ""
        checked = check_vin(typed)
        if checked.state is VinState.MALFORMED:
            raise forms.ValidationError(checked.words)
        return checked.vin

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
            platform=data["platform"],
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


class RepairForm(IdempotentForm):
    """A cause, how it was proven, what was done, what else was found."""

    cause = forms.ModelChoiceField(
        queryset=Cause.objects.select_related("component").order_by("component__name", "mode"),
        empty_label="Choose the part and what was wrong with it",
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
    correction = forms.CharField(label="What was done", max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))
    parts = forms.CharField(label="Parts fitted", max_length=1000, required=False)
    minutes = forms.IntegerField(label="Minutes the repair took", min_value=0, max_value=6000, required=False)
    also_found = forms.CharField(
        label="What else was found",
        max_length=2000,
        required=False,
        help_text="The burnt terminal, the motor that draws too much: what killed the part kills the next one.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    also = CausesField(
        label="Causes found together with it",
        queryset=Cause.objects.select_related("component").order_by("component__name", "mode"),
        required=False,
        widget=forms.SelectMultiple(attrs={"size": 6}),
    )


class VerificationForm(IdempotentForm):
    """Whether the complaint is gone."""

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

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("cured") in (Verification.Cured.YES, Verification.Cured.NO) and not data.get("how", "").strip():
            self.add_error("how", "Say how it was checked: the conditions of the complaint, repeated.")
        return data


def _offer(form: forms.Form, name: str, choices: Sequence[tuple[str, str]]) -> None:
    cast("forms.ChoiceField", form.fields[name]).choices = list(choices)


class CloseForm(forms.Form):
    disposition = forms.ChoiceField(label="Close the job as", choices=Job.Disposition.choices, widget=forms.RadioSelect)
    note = forms.CharField(label="Anything to add", max_length=2000, required=False)
    back = NeededChoices(
        label="Back in place, seen with your own eyes", required=False, widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, off: Sequence[PartOff] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.off = off
        if not off:
            del self.fields["back"]
            return
        _offer(self, "back", [(f"{each.run.pk}:{each.part}", each.back_words) for each in off])

    def clean_back(self) -> list[PartOff]:
        """Every part that was unplugged or taken off has to be confirmed by name before the vehicle goes."""
        ticked = set(self.cleaned_data["back"])
        missing = [each.part for each in self.off if f"{each.run.pk}:{each.part}" not in ticked]
        if missing:
            raise forms.ValidationError(f"Not confirmed to be back in place: {'; '.join(missing)}.")
        return list(self.off)


class LeaveForm(forms.Form):
    """Leaving a procedure before its end: why, and what becomes of what is off the vehicle."""

    why = forms.CharField(label="Why it stops here", max_length=200)
    back = NeededChoices(
        label="Back in place, seen with your own eyes", required=False, widget=forms.CheckboxSelectMultiple
    )
    stays = forms.BooleanField(
        label="What is not ticked stays off, and the vehicle is marked so that nobody drives it", required=False
    )

    def __init__(self, *args: Any, off: Sequence[PartOff] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.off = off
        if not off:
            del self.fields["back"], self.fields["stays"]
            return
        _offer(self, "back", [(each.part, each.back_words) for each in off])

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        missing = [each.part for each in self.off if each.part not in data.get("back", ())]
        if missing and not data.get("stays"):
            self.add_error(
                "back", f"Still off: {'; '.join(missing)}. Put it back and tick it, or say that it stays off."
            )
        return data


class SkipForm(IdempotentForm):
    """Leaving a step out, for one of the reasons offered, and the outcome to go on by without its result."""

    skipped = forms.ChoiceField(label="Why it cannot be done", choices=Result.Skip.choices, widget=forms.RadioSelect)
    onward = forms.ChoiceField(label="Go on as if the answer were", widget=forms.RadioSelect)
    note = forms.CharField(label="Note", max_length=2000, required=False)

    def __init__(self, *args: Any, outcomes: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _offer(self, "onward", outcomes)


class HandOverForm(IdempotentForm):
    """What the next person needs to know."""

    receiver = forms.ModelChoiceField(label="To whom", queryset=User.objects.none(), empty_label="Choose who goes on")
    reason = forms.CharField(label="Why you stop here", max_length=200)
    off_vehicle = forms.CharField(
        label="What is off the vehicle, unplugged or unsafe",
        max_length=2000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    excluded = forms.CharField(
        label="What is excluded so far", max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    note = forms.CharField(label="Anything else", max_length=2000, required=False)

    def __init__(self, *args: Any, people: QuerySet[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        cast("forms.ModelChoiceField[User]", self.fields["receiver"]).queryset = people


class PhotoForm(IdempotentForm):
    """A picture from the camera or the device."""

    picture = forms.FileField(
        label="Picture",
        help_text="JPEG, PNG or WebP, up to 12 MB. It is turned upright and the place it was taken is removed.",
        widget=forms.FileInput(attrs={"accept": "image/jpeg,image/png,image/webp", "capture": "environment"}),
    )
    words = forms.CharField(label="What it shows", max_length=200, required=False)
