from __future__ import annotations

from typing import ClassVar, Self

from django.conf import settings
from django.db import models
from django.db.models import Max

from shopkb.reports.figures.decisions import Decided
from shopkb.reports.figures.suggestions import Subject, SuggestionKind


class SuggestionDecisionQuerySet(models.QuerySet["SuggestionDecision"]):
    def latest(self) -> Self:  # type: ignore[override]
        """The one in force on each subject, the latest first."""
        newest = self.model.objects.order_by().values("kind", "procedure", "step", "name").annotate(newest=Max("pk"))
        return self.filter(pk__in=newest.values("newest")).order_by("-pk")

    def on(self, subject: Subject) -> Self:
        """All on one subject, the latest first."""
        return self.filter(**subject._asdict()).order_by("-pk")


class SuggestionDecision(models.Model):
    """What somebody decided about a suggestion, with what the jobs said that day. Rows are only added."""

    kind = models.CharField(max_length=30, choices=[(kind.value, kind.value) for kind in SuggestionKind])
    procedure = models.CharField(max_length=60, blank=True, help_text="Key; empty where it is about none.")
    step = models.CharField(max_length=60, blank=True)
    name = models.CharField(
        max_length=300, blank=True, help_text="Identity of a cause, or key of a symptom or outcome."
    )
    decided = models.CharField(max_length=20, choices=[(each.value, each.value) for each in Decided])
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+",
        help_text="Whom it was given to.",
    )  # fmt: skip
    revision = models.PositiveIntegerField(
        null=True, blank=True, help_text="Number of the revision that it was done in."
    )
    words = models.CharField(max_length=300, blank=True, help_text="The remark, or the reason.")
    said = models.CharField(max_length=500, help_text="What the jobs said.")
    part = models.PositiveIntegerField()
    whole = models.PositiveIntegerField()
    minutes = models.FloatField(null=True, blank=True, help_text="That could be saved.")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    client_id = models.UUIDField(unique=True)

    objects: ClassVar[models.Manager[Self]] = models.Manager()
    decisions = SuggestionDecisionQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["kind", "procedure", "step", "name"], name="suggestion_subject")]
        constraints = [
            models.CheckConstraint(
                name="given_to_somebody",
                condition=models.Q(decided=Decided.GIVEN, person__isnull=False) | ~models.Q(decided=Decided.GIVEN),
            )
        ]

    def __str__(self) -> str:
        return f"{self.decided}: {self.said}"

    @property
    def subject(self) -> Subject:
        return Subject(SuggestionKind(self.kind), self.procedure, self.step, self.name)
