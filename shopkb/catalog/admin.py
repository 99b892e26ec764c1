"""The catalog in Django's admin. Trees are written through :mod:`shopkb.catalog.trees`; nothing is dragged."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from django.contrib import admin, messages
from django.db import models, transaction
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect

from shopkb.catalog import trees, wordings
from shopkb.catalog.editing import remove_entry, save_entry
from shopkb.catalog.forms import (
    AccessForm,
    CauseForm,
    CautionForm,
    MeterForm,
    OtherWordsForm,
    PathChoiceField,
    PlatformForm,
    SymptomForm,
    SystemForm,
)
from shopkb.catalog.models import (
    Access,
    Cause,
    Caution,
    Meter,
    OtherWords,
    Platform,
    Symptom,
    System,
    TreeNode,
)

if TYPE_CHECKING:
    RowAdmin = admin.ModelAdmin[Any]
else:
    RowAdmin = admin.ModelAdmin


class CatalogAdmin(RowAdmin):
    """Keys stay once made, since procedure files name them; what is in use stays, and says by what."""

    @admin.display(description="hazards")
    def hazard_list(self, row: System | Caution | Access) -> str:
        return ", ".join(row.hazards)

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **options: Any) -> Any:
        if issubclass(db_field.related_model, TreeNode):
            options.setdefault("form_class", PathChoiceField)
            options.setdefault("queryset", db_field.related_model.objects.order_by("path"))
            return models.ForeignKey.formfield(db_field, **options)
        return super().formfield_for_foreignkey(db_field, request, **options)

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> tuple[str, ...]:
        own = tuple(super().get_readonly_fields(request, obj))
        has_key = any(field.name == "key" for field in self.model._meta.fields)
        return (*own, "key") if obj is not None and has_key else own

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        by: Any = request.user
        if proposal := save_entry(form, by=by):
            words = f"Not in force yet: a second person has to confirm the change of {proposal.get_kind_display()}"
            self.message_user(request, f"{words} {proposal.key}.", level=messages.WARNING)

    def delete_model(self, request: HttpRequest, obj: Any) -> None:
        by: Any = request.user
        remove_entry(obj, by=by)

    def delete_queryset(self, request: HttpRequest, queryset: models.QuerySet[Any]) -> None:
        for obj in queryset:
            self.delete_model(request, obj)

    def changelist_view(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        return self._or_said(request, lambda: super(CatalogAdmin, self).changelist_view(request, extra_context))

    def changeform_view(self, request: HttpRequest, *args: Any, **options: Any) -> HttpResponse:
        return self._or_said(request, lambda: super(CatalogAdmin, self).changeform_view(request, *args, **options))

    def delete_view(self, request: HttpRequest, *args: Any, **options: Any) -> HttpResponse:
        return self._or_said(request, lambda: super(CatalogAdmin, self).delete_view(request, *args, **options))

    def _or_said(self, request: HttpRequest, view: Callable[[], HttpResponse]) -> HttpResponse:
        """What the view answers; if a write is refused, nothing of it is kept and the reason is shown."""
        if request.method != "POST":
            return view()
        try:
            with transaction.atomic():
                return view()
        except (trees.TreeRefusal, wordings.ChangeRefused) as refusal:
            self.message_user(request, str(refusal), level=messages.ERROR)
            return HttpResponseRedirect(request.get_full_path())


class TreeAdmin(CatalogAdmin):
    ordering = ("tree_id", "lft")
    search_fields = ("name", "path")
    readonly_fields = ("path",)
    list_display: tuple[str, ...] = ("in_tree", "path")
    list_per_page = 500

    @admin.display(description="name")
    def in_tree(self, node: TreeNode) -> str:
        """The level as text: an indent by style would be dropped by our content security policy."""
        return f"{'— ' * node.level}{node.name}"


@admin.register(System)
class SystemAdmin(TreeAdmin):
    form = SystemForm
    fields = ("name", "key", "parent", "hazards", "why", "path")
    list_display = ("in_tree", "path", "hazard_list")


@admin.register(Platform)
class PlatformAdmin(TreeAdmin):
    form = PlatformForm

    def get_fields(self, request: HttpRequest, obj: Any = None) -> tuple[str, ...]:
        """A new one is asked whether it is a kind itself, where there are others it could stand below."""
        asked = obj is None and Platform.objects.exists()
        return ("name", "key", "parent", *(("is_kind",) if asked else ()), "path")


@admin.register(Symptom)
class SymptomAdmin(CatalogAdmin):
    form = SymptomForm
    list_display = ("name", "key", "system", "codes_said")
    list_select_related = ("system",)
    search_fields = ("name", "key", "words", "codes")

    @admin.display(description="fault codes")
    def codes_said(self, symptom: Symptom) -> str:
        return ", ".join(symptom.codes)


@admin.register(OtherWords)
class OtherWordsAdmin(CatalogAdmin):
    form = OtherWordsForm
    list_display = ("__str__", "key")
    search_fields = ("key", "words")


@admin.register(Cause)
class CauseAdmin(CatalogAdmin):
    form = CauseForm
    list_display = ("__str__", "place")
    list_select_related = ("component",)
    search_fields = ("component__path", "component__name", "mode")
    ordering = ("component__path", "mode")

    @admin.display(description="component", ordering="component__path")
    def place(self, cause: Cause) -> str:
        return cause.component.path


@admin.register(Caution)
class CautionAdmin(CatalogAdmin):
    form = CautionForm
    list_display = ("title", "signal", "key", "hazard_list")
    list_filter = ("signal",)
    search_fields = ("title", "key", "text", "hazards")


@admin.register(Access)
class AccessAdmin(CatalogAdmin):
    form = AccessForm
    list_display = ("name", "key", "minutes", "refit", "hazard_list")
    search_fields = ("name", "key", "hazards")


@admin.register(Meter)
class MeterAdmin(CatalogAdmin):
    form = MeterForm
    list_display = ("name", "key")
    search_fields = ("name", "key")
