"""The kinds of entries of the catalog, as its pages show them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from django.db import models
from django.db.models import Q
from django.forms import ModelForm

from shopkb.catalog.forms import (
    AccessForm,
    CauseForm,
    CautionForm,
    MeterForm,
    OtherWordsForm,
    PlatformForm,
    SymptomForm,
    SystemForm,
)
from shopkb.catalog.models import Access, Cause, Caution, Meter, OtherWords, Platform, Symptom, System, TreeNode

if TYPE_CHECKING:
    EntryForm = ModelForm[Any]
else:
    EntryForm = ModelForm


@dataclass(frozen=True, slots=True)
class EntryKind:
    """One kind: its name in an address, its model and form, its headings, what it is for, the fields words are sought
    in, and the order of its list."""

    key: str
    model: type[models.Model]
    form: type[EntryForm]
    one: str
    many: str
    about: str
    sought: tuple[str, ...]
    order: tuple[str, ...]

    @property
    def is_tree(self) -> bool:
        return issubclass(self.model, TreeNode)

    def rows(self, words: str = "") -> models.QuerySet[Any]:
        """Its entries, those that hold every one of some words."""
        found = self.model._default_manager.order_by(*self.order)
        for word in words.split():
            wanted = Q()
            for field in self.sought:
                wanted |= Q(**{f"{field}__icontains": word})
            found = found.filter(wanted)
        related = [name for name in ("system", "component") if name in {f.name for f in self.model._meta.fields}]
        return found.select_related(*related) if related else found


_TREE = ("tree_id", "lft")
_KINDS = (
    EntryKind(
        "vehicles", Platform, PlatformForm, "vehicle", "Vehicles",
        "Kinds of vehicle, and below each the models that come to you. Procedures for a kind hold for its models.",
        ("name", "path"), _TREE,
    ),
    EntryKind(
        "meters", Meter, MeterForm, "meter", "Meters",
        "Limits of error, from the manual of each meter. Readings are judged by them.",
        ("name", "key"), ("name",),
    ),
    EntryKind(
        "symptoms", Symptom, SymptomForm, "symptom", "Symptoms",
        "What customers complain of, in everyday words, and the fault codes that suggest it.",
        ("name", "key", "words", "codes"), ("name",),
    ),
    EntryKind(
        "other-words", OtherWords, OtherWordsForm, "group of other words", "Other words",
        "Words that mean the same, so that a complaint is found whichever of them the customer says.",
        ("key", "words"), ("key",),
    ),
    EntryKind(
        "systems", System, SystemForm, "system or component", "Systems and components",
        "What a vehicle is made of. A hazard holds for all that stands below.",
        ("name", "path"), _TREE,
    ),
    EntryKind(
        "causes", Cause, CauseForm, "cause", "Causes",
        "A component and how it failed. Procedures prove them.",
        ("component__path", "component__name", "mode"), ("component__path", "mode"),
    ),
    EntryKind(
        "cautions", Caution, CautionForm, "caution", "Cautions",
        "What is said before a step. Once a procedure uses one, a second person confirms every change.",
        ("title", "key", "text"), ("title",),
    ),
    EntryKind(
        "set-ups", Access, AccessForm, "set-up", "Set-ups",
        "What has to be opened, lifted or taken off, the minutes it takes, and the hazards it brings.",
        ("name", "key"), ("name",),
    ),
)  # fmt: skip

KINDS: Mapping[str, EntryKind] = MappingProxyType({kind.key: kind for kind in _KINDS})


def kind_of_row(row: models.Model) -> EntryKind:
    """The kind an entry is of.

    Raises:
        StopIteration: it is no entry of the catalog.
    """
    return next(kind for kind in _KINDS if isinstance(row, kind.model))
