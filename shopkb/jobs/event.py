"""Rows of the event log: what was done, in the order in which the server took it, each sealed with the one before."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q


class Event(models.Model):
    """One thing that was done. Numbers run from 1 in the chain of a run, or of a job for what belongs to no run."""

    class Kind(models.TextChoices):
        BOOKED = "booked", "booked in without the network"
        STARTED = "started", "started to follow"
        VALUE = "value", "value asked once"
        LATE_VALUE = "late-value", "value that came too late"
        DANGER = "danger", "danger confirmed"
        RESULT = "result", "answered or left out"
        BY_CHANCE = "by-chance", "step chosen by chance"
        RETRACTED = "retracted", "answer taken back"
        OFFERED = "offered", "handed over"
        ACCEPTED = "accepted", "accepted"
        TAKEN_OVER = "taken-over", "taken over"
        PUT_BACK = "put-back", "put back"
        MOVED = "moved", "moved to a newer revision"
        LEFT = "left", "left before its end"
        REPAIR = "repair", "repaired"
        PART = "part", "part fitted"
        AGAIN = "again", "measured again after the repair"
        VERIFIED = "verified", "cure checked"
        FINDING = "finding", "other fault found"
        SETTLED = "settled", "said what became of another fault"
        CLOSED = "closed", "closed"
        REOPENED = "reopened", "opened again"
        CONFIRMED = "confirmed", "asked about, and said to be right"
        NOT_BACK = "not-back", "no comeback after all"

    run = models.ForeignKey(
        "jobs.Run", on_delete=models.PROTECT, null=True, blank=True, related_name="events", db_index=False
    )
    job = models.ForeignKey(
        "jobs.Job", on_delete=models.PROTECT, null=True, blank=True, related_name="events", db_index=False
    )
    number = models.PositiveIntegerField()
    kind = models.CharField(max_length=12, choices=Kind)
    record = models.BigIntegerField(null=True, blank=True, help_text="Number of the row that says more, if any.")
    digest = models.CharField(max_length=64, blank=True, help_text="SHA-256 of what that row said.")
    words = models.TextField(blank=True)
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+", db_index=False)
    at = models.DateTimeField(help_text="By the server's clock.")
    device_at = models.DateTimeField(null=True, blank=True, help_text="By the clock of the device that kept it.")
    hash = models.CharField(max_length=64, help_text="SHA-256 of all this and of the hash before it.")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["run", "number"], name="event_once_in_run"),
            models.UniqueConstraint(fields=["job", "number"], name="event_once_in_job"),
            models.CheckConstraint(
                name="event_of_run_or_job",
                condition=Q(run__isnull=False, job__isnull=True) | Q(run__isnull=True, job__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.kind}"
