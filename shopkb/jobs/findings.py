"""Rows of findings beside the way: a fault that is not the end being looked for, and what became of it."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import Q

from shopkb.jobs.idempotence import SignedRecord


class FindingQuerySet(models.QuerySet["Finding"]):
    def with_settlements(self) -> Self:
        """Each with who noted it and what became of it, in the order they were noted."""
        by = ("settlements__who", "settlements__run__revision", "settlements__repair__cause__component")
        return self.select_related("who").prefetch_related(*by).order_by("pk")


class Finding(SignedRecord):
    """A fault that was met on a job, stated by an answer (``result``) or noted by hand."""

    job = models.ForeignKey("jobs.Job", on_delete=models.PROTECT, related_name="findings")
    result = models.ForeignKey(
        "jobs.Result", on_delete=models.PROTECT, null=True, blank=True, related_name="findings"
    )  # fmt: skip
    words = models.CharField(max_length=200)

    objects = FindingQuerySet.as_manager()

    def __str__(self) -> str:
        return self.words

    @property
    def settled(self) -> Settlement | None:
        """What became of it; ``None`` while it is open. Needs ``settlements`` loaded to cost no query."""
        return max(self.settlements.all(), key=lambda row: row.pk, default=None)

    @property
    def was_repaired(self) -> bool:
        """Whether a repair was made for it, whatever was said of it since. Needs ``settlements`` loaded."""
        return any(row.how == Settlement.How.REPAIRED for row in self.settlements.all())


class Settlement(SignedRecord):
    """What became of a finding. The latest counts."""

    class How(models.TextChoices):
        FOLLOWED = "followed", "followed by a procedure"
        REPAIRED = "repaired", "repaired"
        DECLINED = "declined", "declined by the customer"
        ADVISED = "advised", "advised for the next visit"
        EXPLAINED = "explained", "explained: no fault of its own"

    finding = models.ForeignKey(Finding, on_delete=models.PROTECT, related_name="settlements")
    how = models.CharField(max_length=12, choices=How)
    words = models.CharField(max_length=300, blank=True)
    run = models.ForeignKey("jobs.Run", on_delete=models.PROTECT, null=True, blank=True, related_name="settles")
    repair = models.ForeignKey("jobs.Repair", on_delete=models.PROTECT, null=True, blank=True, related_name="settles")

    class Meta(SignedRecord.Meta):
        constraints = [
            models.CheckConstraint(
                name="settlement_says_by_what",
                condition=Q(how="followed", run__isnull=False, repair__isnull=True)
                | Q(how="repaired", repair__isnull=False, run__isnull=True)
                | Q(how__in=["declined", "advised"], run__isnull=True, repair__isnull=True)
                | (Q(how="explained", run__isnull=True, repair__isnull=True) & ~Q(words="")),
            )
        ]

    def __str__(self) -> str:
        by = self.run.revision.title if self.run else str(self.repair.cause) if self.repair else ""
        return ": ".join(part for part in (self.get_how_display(), by, self.words) if part)
