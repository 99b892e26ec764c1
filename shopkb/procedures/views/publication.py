"""Taking a procedure file in, and moving a revision from draft to published."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

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
from shopkb.core.flow.findings import CheckFinding
from shopkb.procedures import publishing
from shopkb.procedures.models import Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import flow_of
from shopkb.procedures.text_findings import findings_of_draft
from shopkb.procedures.views.requested import requested_revision
from shopkb.web.form_fields import NeededText
from shopkb.web.shown_refusals import shown_as_message

LONGEST = 1024 * 1024
"""Bytes a procedure file may have, as for the reader of files."""


class TextForm(forms.Form):
    """A procedure as text: a file, or typed; one of the two is needed. A file goes before what is typed."""

    file = forms.FileField(
        label="A file, chosen or dragged onto the text",
        required=False,
        widget=forms.FileInput(attrs={"accept": ".yaml,.yml,.txt", "data-longest": LONGEST}),
    )
    text = NeededText(
        label="Procedure file",
        strip=False,
        required=False,
        widget=forms.Textarea(attrs={"rows": 32, "spellcheck": "false", "class": "text-file"}),
    )
    why = forms.CharField(
        label="What changed and why",
        max_length=5000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),  # several lines: each sending back adds its reason
    )

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        file = given.get("file")
        held: bytes | str = file.read(LONGEST + 1) if file else given.get("text", "")
        size = file.size if file else len(given.get("text", "").encode(errors="replace"))
        if size > LONGEST:
            raise forms.ValidationError(
                f"This is too long: {size / LONGEST:.1f} MiB, and a procedure file has at most 1 MiB. Take out what is "
                "no part of the procedure, or make two procedures of it."
            )
        if not held:
            raise forms.ValidationError("There is no text yet. Choose a file, or write one.")
        return {**given, "held": held}


@require_http_methods(["GET", "POST"])
def new_from_text(request: SignedInRequest) -> HttpResponse:
    """Paste a procedure file: a draft if it reads right, else every error at its line and the text kept."""
    require(request.user, Right.WRITE)
    form = TextForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        read = read_flow(form.cleaned_data["held"])
        if read.flow is None:
            return _text_page(request, _with_file_shown(form), read.findings, status=422)
        try:
            revision = publishing.start_draft(
                read.flow, by=request.user, at=timezone.now(), why=form.cleaned_data["why"]
            )
        except ActionRefused as error:
            form.add_error(None, str(error))
            return _text_page(request, _with_file_shown(form), (), status=422)
        return _after_saving(request, revision)
    return _text_page(request, form, (), status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def edit_text(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The draft's text, saved whole; somebody else's saving in between overwrites nothing."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    text = write_flow(flow_of(revision))
    form = TextForm(request.POST or None, request.FILES or None, initial={"text": text, "why": revision.why})
    other = ""
    if request.method == "POST" and form.is_valid():
        read = read_flow(form.cleaned_data["held"])
        if read.flow is None:
            return _text_page(request, _with_file_shown(form), read.findings, revision=revision, status=422)
        try:
            revision = publishing.save_draft(
                revision,
                read.flow,
                by=request.user,
                based_on=request.POST.get("based_on", ""),
                why=form.cleaned_data["why"].replace("\r\n", "\n"),
            )
            return _after_saving(request, revision)
        except ActionRefused as error:
            form = _with_file_shown(form)
            form.add_error(None, str(error))
            other = text if isinstance(error, publishing.EditConflict) else ""
    found = () if form.is_bound else findings_of_draft(flow_of(revision))
    return _text_page(request, form, found, revision=revision, other=other, status=422 if form.errors else 200)


def _after_saving(request: SignedInRequest, revision: Revision) -> HttpResponse:
    """To the draft; while the checks find errors in it, back to its text, where each stands with its line."""
    errors = sum(finding.is_error for finding in findings_of_draft(flow_of(revision)))
    key, number = revision.procedure.key, revision.number
    if not errors:
        return redirect("procedures:revision", key, number)
    found = "1 error stands" if errors == 1 else f"{errors} errors stand"
    messages.warning(request, f"Saved as a draft. {found} in the way of publishing it; their lines are below.")
    return redirect("procedures:text", key, number)


def _with_file_shown(form: TextForm) -> TextForm:
    """The form with the words of the chosen file in its text field, where they can be put right."""
    held = form.cleaned_data["held"]
    if isinstance(held, str):
        return form
    shown = TextForm({name: form.data[name] for name in form.data} | {"text": held.decode(errors="replace")})
    shown.full_clean()
    return shown


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
    given = {"at": timezone.now(), "why": _why(request)}
    return _act(request, key, number, publishing.send_back, "It went back to its author.", **given)


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
    findings: tuple[CheckFinding, ...],
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
