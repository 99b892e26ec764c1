"""The catalog. Tree rows are written through :mod:`shopkb.catalog.trees` alone."""

from __future__ import annotations

from typing import Self

from django.conf import settings
from django.db import models
from django.db.models.functions import Lower
from mptt.managers import TreeManager
from mptt.models import MPTTModel, TreeForeignKey
from mptt.querysets import TreeQuerySet

from shopkb.catalog.validators import accuracies, known_hazards, plain_key, trouble_codes, wordings
from shopkb.core.flow.model import cause_identity


class NodeQuerySet(TreeQuerySet):  # type: ignore[misc]  # mptt has no types
    def at(self, path: str) -> Self:
        found: Self = self.filter(path=path)
        return found


class TreeNode(MPTTModel):  # type: ignore[misc]  # mptt has no types
    """A node with a key that is unique among its siblings and the path of keys from its root."""

    key = models.CharField(max_length=60, validators=[plain_key])
    name = models.CharField(max_length=120)
    path = models.CharField(max_length=300, unique=True, editable=False)
    parent = TreeForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="children")

    objects = TreeManager.from_queryset(NodeQuerySet)()

    class MPTTMeta:
        order_insertion_by = ("name",)

    class Meta:
        abstract = True
        constraints = (
            # nulls_distinct=False is silently not created on SQLite, hence two.
            models.UniqueConstraint(fields=["parent", "key"], name="%(class)s_key_once_among_siblings"),
            models.UniqueConstraint(
                fields=["key"], condition=models.Q(parent__isnull=True), name="%(class)s_key_once_among_roots"
            ),
            models.CheckConstraint(condition=models.Q(lft__lt=models.F("rght")), name="%(class)s_left_before_right"),
            models.CheckConstraint(
                condition=models.Q(parent__isnull=True) | ~models.Q(parent=models.F("id")),
                name="%(class)s_not_own_parent",
            ),
        )

    def __str__(self) -> str:
        return self.name


class System(TreeNode):
    """A node of the vehicle-systems tree; its leaves are components. Its hazards reach all below it."""

    hazards = models.JSONField(
        default=list, blank=True, validators=[known_hazards], help_text="What it brings to itself and all below it."
    )
    wording = models.PositiveIntegerField(default=0, editable=False, help_text="Number of its wording in force.")


class Platform(TreeNode):
    """A node of the vehicle tree: maker, model, generation, engine."""


class TreeLock(models.Model):
    """One row for each tree; taken with ``select_for_update`` by every tree write."""

    tree = models.CharField(max_length=20, primary_key=True)

    def __str__(self) -> str:
        return self.tree


class Symptom(models.Model):
    """A catalogued form of complaint, with the words customers use for it."""

    key = models.CharField(max_length=60, unique=True, validators=[plain_key])
    name = models.CharField(max_length=120)
    system = models.ForeignKey(System, on_delete=models.PROTECT, null=True, blank=True, related_name="symptoms")
    words = models.JSONField(default=list, blank=True, validators=[wordings], help_text="Everyday wordings.")
    codes = models.JSONField(
        default=list, blank=True, validators=[trouble_codes], help_text="Fault codes that suggest it."
    )

    class Meta:
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name


class OtherWords(models.Model):
    """Words of customers and of the trade that mean the same: alternator, generator, dynamo."""

    key = models.CharField(max_length=60, unique=True, validators=[plain_key])
    words = models.JSONField(
        default=list, validators=[wordings], help_text="All that mean the same, each a word or a few."
    )

    class Meta:
        ordering = ("key",)
        verbose_name_plural = "other words"

    def __str__(self) -> str:
        return ", ".join(self.words)


class Cause(models.Model):
    """A component and its failure mode, once."""

    component = models.ForeignKey(System, on_delete=models.PROTECT, related_name="causes")
    mode = models.CharField(max_length=120)

    class Meta:
        constraints = (
            models.UniqueConstraint("component", Lower("mode"), name="cause_component_mode_once"),
            models.CheckConstraint(condition=~models.Q(mode=""), name="cause_mode_said"),
        )

    def __str__(self) -> str:
        return f"{self.component.name}: {self.mode}"

    @property
    def identity(self) -> str:
        """Same text as :attr:`shopkb.core.flow.model.Cause.identity`. Needs ``component`` loaded."""
        return cause_identity(self.component.path, self.mode)


class Caution(models.Model):
    """What to beware of and what to do, under a signal word of ANSI Z535.6."""

    class Signal(models.TextChoices):
        DANGER = "DANGER"
        WARNING = "WARNING"
        CAUTION = "CAUTION"
        NOTICE = "NOTICE"

    key = models.CharField(max_length=60, unique=True, validators=[plain_key])
    signal = models.CharField(max_length=10, choices=Signal)
    title = models.CharField(max_length=120)
    text = models.TextField(max_length=1000)
    hazards = models.JSONField(default=list, blank=True, validators=[known_hazards], help_text="The hazards it covers.")
    ask = models.CharField(max_length=200, blank=True, help_text="For DANGER only: the state of things to confirm.")
    wording = models.PositiveIntegerField(default=0, editable=False, help_text="Number of its wording in force.")

    class Meta:
        ordering = ("key",)
        constraints = (
            models.CheckConstraint(
                condition=models.Q(ask="") | models.Q(signal="DANGER"),
                name="caution_asks_for_danger_only",
                violation_error_message="Only a DANGER caution asks for a state. Choose DANGER or clear the question.",
            ),
        )

    def __str__(self) -> str:
        return f"{self.signal}: {self.title}"


class Access(models.Model):
    """A set-up state of the vehicle, what it costs to reach, and the hazards it brings."""

    key = models.CharField(max_length=60, unique=True, validators=[plain_key])
    name = models.CharField(max_length=120)
    minutes = models.DecimalField(max_digits=5, decimal_places=1, default=0)
    hazards = models.JSONField(default=list, blank=True, validators=[known_hazards], help_text="What it brings.")
    refit = models.BooleanField(
        default=True, help_text="Something is off, out or open, and has to be back before the vehicle goes."
    )
    wording = models.PositiveIntegerField(default=0, editable=False, help_text="Number of its wording in force.")

    class Meta:
        ordering = ("name",)
        verbose_name_plural = "access states"
        constraints = (models.CheckConstraint(condition=models.Q(minutes__gte=0), name="access_minutes_not_negative"),)

    def __str__(self) -> str:
        return self.name


class Meter(models.Model):
    """One of the shop's meters with its accuracy: a list of ranges, each ± (% of reading + counts)."""

    key = models.CharField(max_length=60, unique=True, validators=[plain_key])
    name = models.CharField(max_length=120)
    accuracies = models.JSONField(default=list, validators=[accuracies])
    wording = models.PositiveIntegerField(default=0, editable=False, help_text="Number of its wording in force.")

    class Meta:
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name


class SafetyKind(models.TextChoices):
    """Entries whose words or limits people's safety rests on; what of them it is: :data:`SAFETY_FIELDS`."""

    CAUTION = "caution", "caution"
    SYSTEM = "system", "system"
    ACCESS = "access", "access state"
    METER = "meter", "meter"


class Wording(models.Model):
    """What a caution, system, access state or meter said from a moment on. It never changes; a newer one follows."""

    kind = models.CharField(max_length=10, choices=SafetyKind)
    key = models.CharField(max_length=300, help_text="The entry's key; a system's path.")
    number = models.PositiveIntegerField()
    facts = models.JSONField()
    since = models.DateTimeField()
    written_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+",
        help_text="Empty: loaded from files.",
    )  # fmt: skip
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+",
        help_text="The second person; empty where no procedure used it.",
    )  # fmt: skip
    why = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ("kind", "key", "-number")
        constraints = (models.UniqueConstraint(fields=["kind", "key", "number"], name="wording_number_once"),)

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.key}, wording {self.number}"


class Proposal(models.Model):
    """A wording that waits for a second person, or what became of it."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting for a second person"
        CONFIRMED = "confirmed", "confirmed"
        REFUSED = "refused", "refused"
        TAKEN_BACK = "taken-back", "taken back"

    kind = models.CharField(max_length=10, choices=SafetyKind)
    key = models.CharField(max_length=300)
    based_on = models.PositiveIntegerField(help_text="Number of the wording that it changes.")
    facts = models.JSONField()
    why = models.CharField(max_length=500)
    state = models.CharField(max_length=12, choices=State, default=State.WAITING)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    decided_why = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ("-pk",)
        constraints = (
            models.UniqueConstraint(
                fields=["kind", "key"], condition=models.Q(state="waiting"), name="proposal_one_waiting"
            ),
        )

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.key}, {self.get_state_display()}"
