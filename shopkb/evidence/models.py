from __future__ import annotations

from typing import Self

from django.db import models


class TallyQuerySet(models.QuerySet["Tally"]):
    def of(self, procedure: str) -> Self:
        return self.filter(procedure=procedure)


class Tally(models.Model):
    """Sums over closed jobs under one key, a :class:`~shopkb.core.diagnosis.counting.tallies.TallyKey`, as text."""

    procedure = models.CharField(max_length=60)
    step = models.CharField(max_length=60, blank=True)
    outcome = models.CharField(max_length=60, blank=True)
    cause = models.CharField(max_length=430, blank=True)
    proof = models.CharField(max_length=20, blank=True)
    platform = models.CharField(max_length=300, blank=True)
    month = models.CharField(max_length=7)
    position = models.CharField(max_length=12, blank=True)
    count = models.IntegerField(default=0)
    timed = models.IntegerField(default=0)
    seconds = models.BigIntegerField(default=0)
    seconds_squared = models.BigIntegerField(default=0)
    came_back = models.IntegerField(default=0)
    rejected = models.IntegerField(default=0)
    together = models.IntegerField(default=0)
    cured_first = models.IntegerField(default=0)

    objects = TallyQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "tallies"
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "step", "outcome", "cause", "proof", "platform", "month", "position"],
                name="tally_key_once",
            )
        ]

    def __str__(self) -> str:
        return f"{self.procedure}/{self.step}/{self.outcome} {self.month}: {self.count}"


class EvidenceLock(models.Model):
    """One row, taken by every change of the tallies. ``stamp`` counts the changes, so that readers may cache;
    other rows count those of one procedure each."""

    name = models.CharField(max_length=20, primary_key=True)
    stamp = models.BigIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.name} {self.stamp}"


class StrengthFit(models.Model):
    """How alike related platforms are, as fitted on a day: shares of causes level by level of the tree, and how often
    branches are how much alike. The latest counts."""

    fitted_at = models.DateTimeField()
    as_of = models.CharField(max_length=7)
    strengths = models.JSONField(help_text="One number a level below the roots, top first.")
    branch_weights = models.JSONField(default=list, help_text="One number for each strength a branch may have.")
    recalibration = models.JSONField(default=list, help_text="Sharpness and stray share of probabilities.")
    procedures = models.PositiveIntegerField()
    verified_jobs = models.PositiveIntegerField()

    class Meta:
        ordering = ["-fitted_at", "-id"]

    def __str__(self) -> str:
        return f"strengths of {self.fitted_at:%Y-%m-%d}"


class ReadingFit(models.Model):
    """Readings of a procedure's steps by the cause that was proven, and how they are smoothed, as fitted with the
    latest :class:`StrengthFit`."""

    procedure = models.CharField(max_length=60, primary_key=True)
    fitted_at = models.DateTimeField()
    steps = models.JSONField(help_text="By step: unit, scale, width, trust, and readings by cause.")

    def __str__(self) -> str:
        return f"readings of {self.procedure}, {self.fitted_at:%Y-%m-%d}"


class QualityRecord(models.Model):
    """Scores of the probabilities that a procedure gave in a month, as ``jobs.measuring`` makes them."""

    procedure = models.CharField(max_length=60)
    month = models.CharField(max_length=7)
    measured_at = models.DateTimeField()
    verified_jobs = models.PositiveIntegerField()
    figures = models.JSONField()

    class Meta:
        ordering = ["procedure", "month"]
        constraints = [models.UniqueConstraint(fields=["procedure", "month"], name="quality_procedure_month_once")]

    def __str__(self) -> str:
        return f"{self.procedure} {self.month}"
