"""Rows of procedures. `storing.py` alone reads and writes documents; `publishing.py` alone changes states."""

from __future__ import annotations

from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import Prefetch, Q

from shopkb.catalog.models import Platform, Symptom, System


class ProcedureQuerySet(models.QuerySet["Procedure"]):
    def published(self) -> Self:
        """Procedures that have a revision in force."""
        return self.filter(revisions__state=Revision.State.PUBLISHED)

    def with_revision_in_force(self) -> Self:
        return self.prefetch_related(
            Prefetch("revisions", Revision.objects.filter(state=Revision.State.PUBLISHED), to_attr="in_force_rows")
        )

    def for_list(self) -> Self:
        return self.select_related("system", "owner").prefetch_related("symptoms", "platforms").with_revision_in_force()


class Procedure(models.Model):
    """The branching test procedure for a symptom. What it offers to (symptoms, codes, platforms) is copied here from
    the revision in force, so that it can be searched."""

    key = models.SlugField(max_length=60, unique=True)
    title = models.CharField(max_length=120)
    summary = models.TextField(blank=True)
    system = models.ForeignKey(System, on_delete=models.PROTECT, related_name="procedures")
    symptoms = models.ManyToManyField(Symptom, blank=True, related_name="procedures")
    platforms = models.ManyToManyField(Platform, blank=True, related_name="procedures")
    codes = models.JSONField(default=list, blank=True)
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="procedures")

    objects = ProcedureQuerySet.as_manager()

    class Meta:
        ordering = ["title"]

    def __str__(self) -> str:
        return self.title

    @property
    def in_force(self) -> Revision | None:
        """The published revision, if any. Free after ``with_revision_in_force()``, else one query."""
        rows = getattr(self, "in_force_rows", None)
        if rows is None:
            rows = list(self.revisions.filter(state=Revision.State.PUBLISHED)[:1])
        return rows[0] if rows else None


class RevisionQuerySet(models.QuerySet["Revision"]):
    def with_document(self) -> Self:
        """With the procedure and the document, so that reading the flow needs no further query."""
        return self.select_related("procedure", "document")


class Revision(models.Model):
    """One state of a procedure: a draft that may change, or what was published and never changes again.

    What it says stands in its :class:`Document`; ``title`` is copied from there for lists.
    """

    class State(models.TextChoices):
        DRAFT = "draft", "draft"
        IN_REVIEW = "in-review", "in review"
        PUBLISHED = "published", "published"
        REPLACED = "replaced", "replaced by a newer one"
        WITHDRAWN = "withdrawn", "withdrawn"

    procedure = models.ForeignKey(Procedure, on_delete=models.PROTECT, related_name="revisions")
    number = models.PositiveIntegerField()
    state = models.CharField(max_length=20, choices=State, default=State.DRAFT)
    author = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="revisions_written")
    reviewer = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="revisions_reviewed"
    )
    writers = models.ManyToManyField(
        settings.AUTH_USER_MODEL, related_name="+", help_text="Whoever saved any part of it, the author among them."
    )
    why = models.TextField(blank=True, help_text="What changed and why.")
    withdrawn_why = models.TextField(blank=True)
    withdrawn_for_safety = models.BooleanField(default=False)
    created_at = models.DateTimeField()
    published_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    checksum = models.CharField(max_length=64, blank=True)
    title = models.CharField(max_length=120)

    objects = RevisionQuerySet.as_manager()

    class Meta:
        ordering = ["procedure", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["procedure", "number"], name="revision_number_once"),
            models.UniqueConstraint(fields=["procedure"], condition=Q(state="published"), name="revision_one_in_force"),
        ]

    def __str__(self) -> str:
        return f"{self.title}, revision {self.number}"

    @property
    def may_change(self) -> bool:
        return self.state == self.State.DRAFT


class Document(models.Model):
    """All that a revision says: the tree of its procedure file as JSON text.

    It is a table of its own so that lists of revisions do not load it, and text, not a JSON column, because PostgreSQL
    would put the keys into another order and the order of steps is the writer's.
    """

    revision = models.OneToOneField(Revision, on_delete=models.CASCADE, related_name="document")
    text = models.TextField()

    def __str__(self) -> str:
        return f"{self.revision}, its text"


class DraftState(models.Model):
    """What a draft said before it was saved: how far it can be undone, and what two people started from.

    An ``undone`` one is what it said before a saving was taken back: how far that can be done again.
    """

    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="earlier_states")
    text = models.TextField()
    checksum = models.CharField(max_length=64)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    undone = models.BooleanField(default=False)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.revision}, before a change by {self.by}"


class Review(models.Model):
    """What a revision said when somebody sent it back: what changed since then is new to the reviewer."""

    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="reviews")
    text = models.TextField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.revision}, sent back by {self.by}"


class Remark(models.Model):
    """What somebody said about a step of a draft or of a revision in review, or about one field of it.

    ``field`` is the name of a field of the step, or ``outcomes.KEY``; empty for the step as a whole.
    """

    revision = models.ForeignKey(Revision, on_delete=models.CASCADE, related_name="remarks")
    step = models.CharField(max_length=64)
    field = models.CharField(max_length=80, blank=True, default="")
    text = models.TextField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    settled = models.BooleanField(default=False)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.text


class Picture(models.Model):
    """A picture that an instruction shows: named for its content, so that it never changes and is kept once.

    ``marks`` are the arrows and letters drawn on the picture ``of``, as :class:`shopkb.procedures.picture_marks.Mark`.
    """

    name = models.CharField(max_length=80, unique=True)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    size = models.PositiveIntegerField()
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    of = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="marked")
    marks = models.JSONField(default=list, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.name


class ProcedureRequest(models.Model):
    """Somebody at work who found no procedure for a complaint asks the writers for one."""

    words = models.CharField(max_length=300, help_text="The customer's words.")
    symptom = models.ForeignKey(
        Symptom, on_delete=models.PROTECT, null=True, blank=True, related_name="procedure_requests"
    )
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    client_id = models.UUIDField(unique=True)
    settled = models.CharField(max_length=200, blank=True, help_text="What became of it; empty while it is open.")
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    settled_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.words
