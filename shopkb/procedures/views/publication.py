"""Taking a procedure file in, and moving a revision from draft to published."""

from __future__ import annotations

from collections.abc import Callable

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.findings import Finding
from shopkb.procedures import publishing
from shopkb.procedures.models import Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import flow_of

LONGEST = 1024 * 1024


class TextForm(forms.Form):
    """A procedure as text."""

    text = forms.CharField(
        label="Procedure file",
        strip=False,
        max_length=LONGEST,
        widget=forms.Textarea(attrs={"rows": 32, "spellcheck": "false", "class": "text-file"}),
    )
    why = forms.CharField(
        label="What changed and why",
        max_length=5000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),  # several lines: each sending back adds its reason
    )


@require_http_methods(["GET", "POST"])
def new_from_text(request: SignedInRequest) -> HttpResponse:
    """Paste a procedure file: a draft if it reads right, else every error at its line and the text kept."""
    require(request.user, Right.WRITE)
    form = TextForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        read = read_flow(form.cleaned_data["text"])
        if read.flow is None:
            return _text_page(request, form, read.findings, status=422)
        try:
            revision = publishing.start_draft(
                read.flow, by=request.user, at=timezone.now(), why=form.cleaned_data["why"]
            )
        except ActionRefused as error:
            form.add_error(None, str(error))
            return _text_page(request, form, (), status=422)
        return redirect("procedures:revision", revision.procedure.key, revision.number)
    return _text_page(request, form, ())


@require_http_methods(["GET", "POST"])
def edit_text(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The draft's text, saved whole; somebody else's saving in between overwrites nothing."""
    require(request.user, Right.WRITE)
    revision = _revision(key, number)
    held = write_flow(flow_of(revision))
    form = TextForm(request.POST or None, initial={"text": held, "why": revision.why})
    other = ""
    if request.method == "POST" and form.is_valid():
        read = read_flow(form.cleaned_data["text"])
        if read.flow is None:
            return _text_page(request, form, read.findings, revision=revision, status=422)
        try:
            publishing.save_draft(
                revision,
                read.flow,
                by=request.user,
                based_on=request.POST.get("based_on", ""),
                why=form.cleaned_data["why"].replace("\r\n", "\n"),
            )
            return redirect("procedures:revision", key, number)
        except ActionRefused as error:
            form.add_error(None, str(error))
            other = held if isinstance(error, publishing.EditConflict) else ""
    return _text_page(request, form, (), revision=revision, other=other, status=422 if form.errors else 200)


@require_POST
def new_draft(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """A draft that starts as a copy of this revision."""
    return _do(
        request,
        key,
        number,
        lambda revision: publishing.draft_from(revision, by=request.user, at=timezone.now()).number,
        "A new draft was made. Jobs that follow the published revision keep it.",
    )


@require_POST
def ask_for_review(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    return _do(
        request,
        key,
        number,
        lambda revision: publishing.ask_for_review(revision, by=request.user),
        "It waits for a second person to review it.",
    )


@require_POST
def send_back(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    why = request.POST.get("why", "").strip()[:500]
    return _do(
        request,
        key,
        number,
        lambda revision: publishing.send_back(revision, by=request.user, why=why),
        "It went back to its author.",
    )


@require_POST
def publish(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    return _do(
        request,
        key,
        number,
        lambda revision: publishing.publish(revision, by=request.user, at=timezone.now()).number,
        "Published. New runs follow this revision.",
    )


@require_POST
def withdraw(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    why = request.POST.get("why", "").strip()[:500]
    for_safety = request.POST.get("for_safety") == "yes"
    return _do(
        request,
        key,
        number,
        lambda revision: publishing.withdraw(
            revision, by=request.user, at=timezone.now(), why=why, for_safety=for_safety
        ),
        "Withdrawn. The reason is kept with it.",
    )


def _do(
    request: SignedInRequest, key: str, number: int, action: Callable[[Revision], int | None], told: str
) -> HttpResponse:
    try:
        moved_to = action(_revision(key, number))
    except ActionRefused as error:
        messages.error(request, str(error))
        moved_to = None
    else:
        messages.success(request, told)
    return redirect("procedures:revision", key, moved_to or number)


def _revision(key: str, number: int) -> Revision:
    return get_object_or_404(Revision.objects.select_related("procedure", "author"), procedure__key=key, number=number)


def _text_page(
    request: SignedInRequest,
    form: TextForm,
    findings: tuple[Finding, ...],
    *,
    revision: Revision | None = None,
    other: str = "",
    status: int = 200,
) -> HttpResponse:
    context = {
        "form": form,
        "findings": findings,
        "revision": revision,
        "other": other,
        "section": "procedures",
        "based_on": request.POST.get("based_on") or (revision.checksum if revision else ""),
    }
    return render(request, "procedures/text.html", context, status=status)
