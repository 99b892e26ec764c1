"""Ways to leave a job, a procedure or a step: closing, stopping, leaving out, handing over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, cast

from django import forms
from django.db.models import QuerySet

from shopkb.accounts.models import User
from shopkb.jobs.forms.fields import IdempotentForm, NeededChoices, offer
from shopkb.jobs.forms.findings import SettlementSaid, Settling
from shopkb.jobs.models import Finding, Job, Result, Settlement
from shopkb.jobs.vehicle_state import PartOff
from shopkb.web.form_fields import NeededText


class CloseForm(forms.Form):
    disposition = forms.ChoiceField(label="Close the job as", choices=Job.Disposition.choices, widget=forms.RadioSelect)
    note = forms.CharField(label="Anything to add", max_length=2000, required=False)
    back = NeededChoices(
        label="Back in place, seen with your own eyes", required=False, widget=forms.CheckboxSelectMultiple
    )

    def __init__(
        self, *args: Any, off: Sequence[PartOff] = (), findings: Sequence[tuple[Finding, Settling]] = (), **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.off, self.findings = off, findings
        for finding, settling in findings:
            self.fields[f"finding_{finding.pk}"] = forms.ChoiceField(
                label=f"What became of: {finding.words}", choices=settling.choices, widget=forms.RadioSelect
            )
            self.fields[f"why_{finding.pk}"] = NeededText(
                label=f"In your words: {finding.words}", max_length=300, required=False,
                help_text="Needed where it is explained.",
            )  # fmt: skip
        if not off:
            del self.fields["back"]
            return
        offer(self, "back", [(f"{each.run.pk}:{each.part}", each.back_words) for each in off])

    @property
    def settled(self) -> list[tuple[Finding, SettlementSaid]]:
        """What is said to have become of each open finding."""
        data = self.cleaned_data
        return [
            (finding, settling.said(data[f"finding_{finding.pk}"], data[f"why_{finding.pk}"]))
            for finding, settling in self.findings
        ]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for finding, _settling in self.findings:
            explained = data.get(f"finding_{finding.pk}") == Settlement.How.EXPLAINED
            if explained and not data.get(f"why_{finding.pk}", "").strip():
                self.add_error(f"why_{finding.pk}", "Say what explains it.")
        return data

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
        offer(self, "back", [(each.part, each.back_words) for each in off])

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
        offer(self, "onward", outcomes)


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
        label="What is all but excluded so far",
        max_length=2000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    note = forms.CharField(label="Anything else", max_length=2000, required=False)

    def __init__(self, *args: Any, people: QuerySet[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        cast("forms.ModelChoiceField[User]", self.fields["receiver"]).queryset = people
