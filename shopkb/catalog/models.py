"""The catalog. Tree rows are written through :mod:`shopkb.catalog.trees` alone."""

from __future__ import annotations

from typing import Self

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

    class Meta:
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name
