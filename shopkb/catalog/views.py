"""Pages of the catalog: its lists, an entry to fill in or change, and taking one out."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.text import slugify
from django.views.decorators.http import require_http_methods, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog import trees, wordings
from shopkb.catalog.editing import remove_entry, save_entry
from shopkb.catalog.entry_kinds import KINDS, EntryForm, EntryKind
from shopkb.catalog.models import Proposal
from shopkb.catalog.uses import uses_of
from shopkb.web.htmx import render_page_or_part

A_PAGE = 200
LONGEST_MADE = 50
KEY_STAYS = "It stays, since procedures name it."
NO_KEY = "No key can be made of this name. Give one: small letters, digits and hyphens, such as door-2."
KEY_MADE = "Small letters, digits and hyphens. Procedures name it by this, and it stays. Empty: made of the name."


def _kind(key: str) -> EntryKind:
    if key not in KINDS:
        raise Http404
    return KINDS[key]


@require_safe
def index(request: SignedInRequest) -> HttpResponse:
    """The kinds of entries, with how many there are of each."""
    require(request.user, Right.CATALOG)
    context = {
        "kinds": [(kind, kind.model._default_manager.count()) for kind in KINDS.values()],
        "waiting": Proposal.objects.filter(state=Proposal.State.WAITING).count(),
        "section": "catalog",
    }
    return render(request, "catalog/index.html", context)


@require_safe
def entries(request: SignedInRequest, kind: str) -> HttpResponse:
    """The entries of one kind, or those that hold some words."""
    require(request.user, Right.CATALOG)
    of = _kind(kind)
    words = request.GET.get("words", "")[:100]
    page = Paginator(of.rows(words), A_PAGE).get_page(request.GET.get("page"))
    context = {"kind": of, "rows": page, "words": words, "section": "catalog"}
    return render_page_or_part(request, "catalog/entries.html", "catalog/_entries.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def entry(request: SignedInRequest, kind: str, pk: int | None = None) -> HttpResponse:
    """A new entry, or one to change. What procedures rest on is proposed to a second person."""
    require(request.user, Right.CATALOG)
    of = _kind(kind)
    row = get_object_or_404(of.model, pk=pk) if pk is not None else None
    form = of.form(_with_key(request.POST) if request.method == "POST" else None, instance=row)
    if "key" in form.fields:
        form.fields["key"].disabled = row is not None
        form.fields["key"].help_text = KEY_STAYS if row else KEY_MADE
        form.fields["key"].required = False
    if request.method == "POST" and _is_valid(form):
        try:
            proposal = save_entry(form, by=request.user)
        except (trees.TreeRefusal, wordings.ChangeRefused) as refusal:
            form.add_error(None, str(refusal))
        else:
            if proposal:
                messages.warning(request, f"{form.instance}: not in force yet. A second person has to confirm it.")
                return redirect("procedures:proposal", proposal.pk)
            messages.success(request, f"{form.instance} is stored.")
            return redirect("catalog:entries", of.key)
    context = {"kind": of, "form": form, "row": row, "uses": uses_of(row) if row else "", "section": "catalog"}
    return render(request, "catalog/entry.html", context, status=422 if form.errors else 200)


def _is_valid(form: EntryForm) -> bool:
    """Whether it holds, its key too, which Django does not look at where it is empty."""
    if form.is_valid() and form.cleaned_data.get("key") == "":
        form.add_error("key", NO_KEY)
    return form.is_valid()


def _with_key(typed: QueryDict) -> QueryDict:
    """What was typed, with a key made of the name where none was given."""
    named = typed.get("name") or typed.get("title") or typed.get("words", "").partition("\n")[0]
    if typed.get("key", "").strip() or not named:
        return typed
    data = typed.copy()
    data["key"] = slugify(named)[:LONGEST_MADE].strip("-")
    return data


@require_http_methods(["GET", "HEAD", "POST"])
def remove(request: SignedInRequest, kind: str, pk: int) -> HttpResponse:
    """Asks whether an entry is to be taken out, and does so; what is used stays, and says by what."""
    require(request.user, Right.CATALOG)
    of = _kind(kind)
    row = get_object_or_404(of.model, pk=pk)
    refused = ""
    if request.method == "POST":
        name = str(row)
        try:
            remove_entry(row, by=request.user)
        except (trees.TreeRefusal, wordings.ChangeRefused) as refusal:
            refused = str(refusal)
        else:
            messages.success(request, f"{name} is no longer in the catalogue.")
            return redirect("catalog:entries", of.key)
    context = {"kind": of, "row": row, "uses": uses_of(row), "refused": refused, "section": "catalog"}
    return render(request, "catalog/remove.html", context, status=422 if refused else 200)
