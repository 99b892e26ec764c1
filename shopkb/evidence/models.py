from __future__ import annotations

from typing import Self

from django.db import models


class TallyQuerySet(models.QuerySet["Tally"]):
    def of(self, procedure: str) -> Self:
        return self.filter(procedure=procedure)


class Tally(models.Model):
    """Counts under one key; see :class:`shopkb.core.diagnosis.tallies.TallyKey`. Text keys, so shops can be summed."""

    procedure = models.CharField(max_length=60)
    step = models.CharField(max_length=60, blank=True)
    outcome = models.CharField(max_length=60, blank=True)
    cause = models.CharField(max_length=430, blank=True)
    proof = models.CharField(max_length=20, blank=True)
    platform = models.CharField(max_length=300, blank=True)
    month = models.CharField(max_length=7)
    count = models.IntegerField(default=0)
    timed = models.IntegerField(default=0)
    seconds = models.BigIntegerField(default=0)
    seconds_squared = models.BigIntegerField(default=0)
    came_back = models.IntegerField(default=0)
    rejected = models.IntegerField(default=0)

    objects = TallyQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "tallies"
        constraints = [
            models.UniqueConstraint(
                fields=["procedure", "step", "outcome", "cause", "proof", "platform", "month"], name="tally_key_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.procedure}/{self.step}/{self.outcome} {self.month}: {self.count}"


class EvidenceLock(models.Model):
    """One row, taken by every change of the tallies. ``stamp`` counts the changes, so that readers may cache."""

    name = models.CharField(max_length=20, primary_key=True)
    stamp = models.BigIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.name} {self.stamp}"
