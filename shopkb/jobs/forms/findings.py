"""Faults met beside the way, and what became of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from shopkb.jobs.forms.fields import IdempotentForm, offer
from shopkb.jobs.models import Finding, Job, Repair, Run, Settlement
from shopkb.web.form_fields import NeededText


class FindingForm(IdempotentForm):
    """A fault met beside the way, in a few words."""

    words = forms.CharField(
        label="What was found", max_length=200,
        help_text="A fault in itself, and where. It stays with the job until somebody says what became of it.",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class SettlementSaid:
    """What a form says became of a finding."""

    how: Settlement.How
    words: str = ""
    run: Run | None = None
    repair: Repair | None = None


class Settling:
    """The ways in which a finding can be settled on its job, as choices of a form; ``runs`` and ``repairs`` of it."""

    def __init__(self, finding: Finding, runs: Sequence[Run], repairs: Sequence[Repair]) -> None:
        here = finding.result.run_id if finding.result is not None else None
        how = Settlement.How
        self.runs = {f"{how.FOLLOWED}:{run.pk}": run for run in runs if run.pk != here}
        self.repairs = {f"{how.REPAIRED}:{repair.pk}": repair for repair in repairs}

    @property
    def choices(self) -> list[tuple[str, str]]:
        how = Settlement.How
        return [
            *((key, f"followed by: {run.revision.title}") for key, run in self.runs.items()),
            *((key, f"repaired: {repair.cause}") for key, repair in self.repairs.items()),
            (how.DECLINED.value, how.DECLINED.label),
            (how.ADVISED.value, how.ADVISED.label),
            (how.EXPLAINED.value, how.EXPLAINED.label),
        ]

    def said(self, key: str, words: str) -> SettlementSaid:
        how = Settlement.How(key.partition(":")[0])
        return SettlementSaid(how, words.strip(), self.runs.get(key), self.repairs.get(key))


def settlings(job: Job, findings: Sequence[Finding]) -> list[tuple[Finding, Settling]]:
    """For each of these findings of a job, how it can be settled. Two queries, none without findings."""
    if not findings:
        return []
    runs = list(job.runs.select_related("revision").order_by("pk"))
    repairs = list(job.repairs.select_related("cause__component").order_by("pk"))
    return [(finding, Settling(finding, runs, repairs)) for finding in findings]


class SettleForm(IdempotentForm):
    """What became of a finding."""

    how = forms.ChoiceField(label="What became of it", widget=forms.RadioSelect)
    words = NeededText(label="In your words", max_length=300, required=False, help_text="Needed where it is explained.")

    def __init__(self, *args: Any, finding: Finding, **more: Any) -> None:
        super().__init__(*args, **more)
        ((_finding, self.settling),) = settlings(finding.job, [finding])
        offer(self, "how", self.settling.choices)

    def said(self) -> SettlementSaid:
        return self.settling.said(self.cleaned_data["how"], self.cleaned_data["words"])

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("how") == Settlement.How.EXPLAINED and not data.get("words", "").strip():
            self.add_error("words", "Say what explains it.")
        return data
