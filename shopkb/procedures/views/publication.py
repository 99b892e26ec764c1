"""Taking a procedure file in, and moving a revision from draft to published."""

from __future__ import annotations

from collections.abc import Callable

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
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
from shopkb.procedures.views.requested import requested_revision
from shopkb.web.shown_refusals import shown_as_message

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
    revision = requested_revision(key, number)
    text = write_flow(flow_of(revision))
    form = TextForm(request.POST or None, initial={"text": text, "why": revision.why})
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
            other = text if isinstance(error, publishing.EditConflict) else ""
    return _text_page(request, form, (), revision=revision, other=other, status=422 if form.errors else 200)


@require_POST
def new_draft(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """A draft that starts as a copy of this revision."""
    message = "A new draft was made. Jobs that follow the published revision keep it."
    return _act(request, key, number, publishing.draft_from, message, at=timezone.now())


@require_POST
def ask_for_review(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    return _act(request, key, number, publishing.ask_for_review, "It waits for a second person to review it.")


@require_POST
def send_back(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    return _act(request, key, number, publishing.send_back, "It went back to its author.", why=_why(request))


@require_POST
def publish(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    message = "Published. New runs follow this revision."
    return _act(request, key, number, publishing.publish, message, at=timezone.now())


@require_POST
def withdraw(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    message, safety = "Withdrawn. The reason is kept with it.", request.POST.get("for_safety") == "yes"
    given = {"at": timezone.now(), "why": _why(request), "for_safety": safety}
    return _act(request, key, number, publishing.withdraw, message, **given)


def _why(request: SignedInRequest) -> str:
    return request.POST.get("why", "").strip()[:500]


def _act(
    request: SignedInRequest, key: str, number: int, act: Callable[..., Revision | None], message: str, **given: object
) -> HttpResponse:
    """Do it as the person signed in, say so or why not, and show the revision, or the one that came of it."""
    with shown_as_message(request, ActionRefused):
        made = act(requested_revision(key, number), by=request.user, **given)
        messages.success(request, message)
        number = made.number if made else number
    return redirect("procedures:revision", key, number)


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
