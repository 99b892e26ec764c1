"""The writer's desk: a draft as cards and chart, saved as it is typed; without script each button posts the card."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Symptom
from shopkb.catalog.trees import TreeRefusal
from shopkb.charts.drawings import Drawing
from shopkb.charts.view import ChartOptions
from shopkb.core.flow import editing
from shopkb.core.flow.comparison.compare import ChangeKind, ItemChange, compare
from shopkb.core.flow.comparison.merged_diff import merged_diff
from shopkb.core.flow.copying import steps_behind
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.model import Flow, Usual
from shopkb.procedures import publishing
from shopkb.procedures.desk.cause_choices import add_part, catalog_causes, found_choices
from shopkb.procedures.desk.conflicts import Merge, differing, merge, texts_of_form, touched
from shopkb.procedures.desk.desk_context import chart_context, desk_address, desk_context, remarks_of, system_choices
from shopkb.procedures.desk.finding_text import desk_finding, with_titles
from shopkb.procedures.desk.form_actions import EditResult, apply_form
from shopkb.procedures.desk.since_review import since_review
from shopkb.procedures.drawing import draw_chart, drawing_asked
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.publishing import ActionRefused, EditConflict
from shopkb.procedures.storing import flow_of
from shopkb.procedures.views.requested import requested_revision
from shopkb.web.htmx import wants_part
from shopkb.web.markdown import shown_markdown
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_as_message


class NewForm(forms.Form):
    """What a procedure begins with."""

    title = forms.CharField(label="Complaint or task in one line", max_length=120)
    system = forms.ChoiceField(label="Vehicle system")
    symptom = forms.ChoiceField(label="Symptom", required=False)

    def __init__(self, data: Mapping[str, Any] | None = None) -> None:
        super().__init__(data)
        cast("forms.ChoiceField", self.fields["system"]).choices = system_choices()
        cast("forms.ChoiceField", self.fields["symptom"]).choices = [
            ("", "none of these"),
            *Symptom.objects.values_list("key", "name"),
        ]


@require_http_methods(["GET", "POST"])
def new_procedure(request: SignedInRequest) -> HttpResponse:
    """A procedure from an empty page: its title, its system, then straight to its first step."""
    require(request.user, Right.WRITE)
    form = NewForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        key = editing.fresh_key(given["title"], set(Procedure.objects.values_list("key", flat=True)), "procedure")
        try:
            symptoms = [given["symptom"]] if given["symptom"] else []
            flow = editing.new_flow(key, given["title"], given["system"], symptoms)
            revision = publishing.start_draft(flow, by=request.user, at=timezone.now())
            return redirect(desk_address(revision))
        except (EditRefused, ActionRefused) as error:
            form.add_error(None, str(error))
    return render(
        request, "procedures/desk/new.html", {"form": form, "section": "procedures"}, status=422 if form.errors else 200
    )


@require_safe
def desk(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The draft: its steps on the left, one of them open, its chart on the right."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    if not revision.may_change:
        messages.info(request, f"Revision {number} is {revision.get_state_display()}; make a new draft to change it.")
        return redirect("procedures:revision", key, number)
    flow = flow_of(revision)
    page = "procedures/desk/_steps.html" if wants_part(request) else "procedures/desk/desk.html"
    step = request.GET.get("step", "")
    return render(request, page, desk_context(revision, flow, step) | chart_context(revision, flow, step))


@require_safe
def chart(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The chart of the draft as it stands, asked for after each saving."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    flow, step = flow_of(revision), request.GET.get("step", "")
    context = {"flow": flow, "open": flow.step_by_key.get(step)}
    return render(request, "procedures/desk/_chart.html", context | chart_context(revision, flow, step))


@require_POST
def act(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """Save a card and do what its button says. What somebody else saved meanwhile is never overwritten."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    based_on = request.POST.get("based_on", "")
    flow, merged = flow_of(revision), False
    try:
        post = _with_new_part(request)
        if based_on != revision.checksum:
            before = publishing.state_based_on(revision, based_on)
            if before is None or not (touched(flow, post) and touched(before, post)):
                return _both(request, revision, flow)
            if done := _saved_already(before, flow, post):
                return _answer(request, revision, done)
            brought = merge(before, flow, post)
            if brought.conflicts:
                return _both(request, revision, flow, brought)
            post, merged = brought.post, touched(before, post) != touched(flow, post)
        done = apply_form(flow, post)
        saved = publishing.save_draft(revision, done.flow, by=request.user, based_on=revision.checksum)
    except EditConflict:
        return _both(request, requested_revision(key, number), flow_of(requested_revision(key, number)))
    except TreeRefusal as refusal:
        return _answer(
            request, revision, EditResult(flow, request.POST.get("step", ""), refused={"nc-part": str(refusal)})
        )
    except (EditRefused, KeyNotFound, ActionRefused) as error:
        return _refused(request, revision, flow, error)
    return _answer(request, saved, replace(done, anew=True) if merged else done)


def _with_new_part(request: SignedInRequest) -> QueryDict:
    """What was posted; a part that is to be new is in the catalog by then, and chosen.

    Raises:
        TreeRefusal: as for :func:`add_part`.
    """
    post = request.POST
    if post.get("form") != "new-cause" or post.get("pick") != "new":
        return post
    part = add_part(post.get("part", ""), post.get("under", ""), by=request.user)
    chosen = post.copy()
    chosen["pick"] = f"part:{part.path}"
    return chosen


def _saved_already(before: Flow, now: Flow, post: QueryDict) -> EditResult | None:
    """What a form did that was taken in before, when only its answer was lost on the way and it is sent again."""
    done = apply_form(before, post)
    return done if done.flow == now else None


def _answer(request: SignedInRequest, revision: Revision, done: EditResult) -> HttpResponse:
    dialog = _dialog_address(revision, done)
    if not wants_part(request):
        if done.refused:
            return _with_refusals(request, revision, done.flow, {"refused": done.refused}, status=200)
        return redirect(dialog or desk_address(revision, done.step))
    parts = desk_context(revision, done.flow, done.step)
    said = {"anew": done.anew, "refused": done.refused, "part": True}
    response = render(request, "procedures/desk/_saved.html", {**parts, **said})
    if dialog:
        response["Desk-Dialog"] = dialog
    response["Desk-Answer"] = "cards" if done.anew else "saved"
    response["Desk-Renamed"] = " ".join(f"{old}={new}" for old, new in done.renamed.items())
    response["Desk-Refused"] = " ".join(done.refused)
    if done.step:
        response["HX-Replace-Url"] = desk_address(revision, done.step)
    return response


def _dialog_address(revision: Revision, done: EditResult) -> str:
    """Where the cause that is wanted is chosen; empty when none is."""
    if done.cause_for is None:
        return ""
    step, outcome = done.cause_for
    address = reverse("procedures:desk-cause", args=[revision.procedure.key, revision.number])
    return f"{address}?step={step}&outcome={outcome}"


def _refused(request: SignedInRequest, revision: Revision, flow: Flow, error: Exception) -> HttpResponse:
    """What was typed stays in its fields; nothing was stored."""
    found = [desk_finding(flow, one) for one in error.findings] if isinstance(error, EditRefused) else []
    said = {"refusal": str(error), "refusal_findings": found}
    if wants_part(request):
        answer = render(request, "procedures/desk/_said.html", {**said, "revision": revision})
        answer["Desk-Answer"] = "refused"
        return answer
    return _with_refusals(request, revision, flow, said)


def _with_refusals(
    request: SignedInRequest, revision: Revision, flow: Flow, said: Mapping[str, object], *, status: int = 422
) -> HttpResponse:
    """The whole page with what was typed still in its fields, for a browser without scripts."""
    typed = request.POST if request.POST.get("form") == "step" else None
    step = request.POST.get("step") or request.POST.get("open", "")
    circuit = request.POST.get("circuit", "") if request.POST.get("form") == "circuit" else None
    parts = desk_context(revision, flow, step, typed, circuit) | chart_context(revision, flow, step)
    return render(request, "procedures/desk/desk.html", {**parts, **said}, status=status)


def _both(request: SignedInRequest, revision: Revision, flow: Flow, brought: Merge | None = None) -> HttpResponse:
    """Two people changed the same: both texts, side by side, and the choice. Other fields have what either changed."""
    step = request.POST.get("step") or request.POST.get("open", "")
    post = brought.post if brought else request.POST
    context = {
        **desk_context(revision, flow, step),
        "differ": brought.conflicts if brought else differing(request.POST, texts_of_form(flow, request.POST)),
        "mine": [(name, text) for name, texts in post.lists() for text in texts if name not in _OWN],
        "by": revision.earlier_states.select_related("by").last(),
        "gone": not touched(flow, request.POST),
    }
    if wants_part(request):
        answer = render(request, "procedures/desk/_both_part.html", context)
        answer["Desk-Answer"] = "both"
        return answer
    return render(request, "procedures/desk/both.html", context, status=409)


_OWN = ("csrfmiddlewaretoken", "based_on")


@require_POST
def undo(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """One saving back."""
    revision = requested_revision(key, number)
    with shown_as_message(request, ActionRefused):
        publishing.undo_draft(revision, by=request.user, based_on=request.POST.get("based_on", ""))
    return _to(request, desk_address(revision, request.POST.get("open", "")))


@require_POST
def redo(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """One undoing back."""
    revision = requested_revision(key, number)
    with shown_as_message(request, ActionRefused):
        publishing.redo_draft(revision, by=request.user, based_on=request.POST.get("based_on", ""))
    return _to(request, desk_address(revision, request.POST.get("open", "")))


@require_safe
def cause_picker(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """What failed, and how: sought by words, or made new. Without an outcome, several causes of the catalog at once."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    step = flow.step_by_key.get(request.GET.get("step", ""))
    if step is None:
        return redirect(desk_address(revision))
    sought = request.GET.get("q", "")[:120]
    outcome = next((one for one in step.outcomes if one.key == request.GET.get("outcome")), None)
    context = {
        "revision": revision,
        "flow": flow,
        "step": step,
        "outcome": outcome,
        "sought": sought,
        "several": [] if outcome else catalog_causes(flow, flow.system.partition("/")[0]),
        "choices": found_choices(flow, step, sought) if outcome else [],
        "systems": system_choices(),
        "under": step.at or flow.system,
        "usuals": list(Usual),
        "section": "procedures",
    }
    if not wants_part(request):
        return render(request, "procedures/desk/cause.html", context)
    part = "_cause_pick" if "q" in request.GET else "_cause"
    return render(request, f"procedures/desk/{part}.html", context)


@require_safe
def copy_from(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """A procedure in force, then one of its steps: to be copied alone or with all behind it."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    step = flow.step_by_key.get(request.GET.get("step", ""))
    outcome = next((one for one in step.outcomes if one.key == request.GET.get("outcome")), None) if step else None
    in_force = Revision.objects.filter(state=Revision.State.PUBLISHED).select_related("procedure")
    source = in_force.filter(procedure__key=request.GET.get("from", "")).first()
    other = flow_of(source) if source else None
    context = {
        "revision": revision,
        "flow": flow,
        "step": step,
        "outcome": outcome,
        "procedures": in_force.order_by("procedure__title").values_list("procedure__key", "procedure__title"),
        "source": source,
        "steps": [(one, len(steps_behind(other, one.key)) - 1) for one in other.steps] if other else [],
        "section": "procedures",
    }
    page = "procedures/desk/_copy.html" if wants_part(request) else "procedures/desk/copy.html"
    return render(request, page, context)


@require_POST
def preview(request: SignedInRequest) -> HttpResponse:
    """An instruction as the person at the vehicle will see it."""
    require(request.user, Right.WRITE)
    text = shown_markdown(request.POST.get("instruction", ""))
    return render(request, "procedures/desk/_preview.html", {"text": text})


@require_POST
def remark(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """Say something about a step, or settle what was said."""
    revision = requested_revision(key, number)
    step = request.POST.get("step", "")
    with shown_as_message(request, ActionRefused):
        if settled := request.POST.get("settle", ""):
            publishing.settle_remark(revision, row_number(settled) or 0, by=request.user)
        else:
            text, field = request.POST.get("text", "")[:2000], request.POST.get("field", "")[:80]
            publishing.remark(revision, step, text, by=request.user, at=timezone.now(), field=field)
    if revision.may_change:
        return redirect(desk_address(revision, step))
    return redirect(f"{reverse('procedures:remarks', args=[key, number])}#step-{step}")


@require_safe
def remarks(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """Every step of a revision with what was said about it, for whoever reviews it."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    said, since = remarks_of(revision, flow), since_review(revision, flow)
    steps = [
        (
            step,
            [one for one in said if one.row.step == step.key],
            since.steps.get(step.key, ()) if since else (),
            publishing.remark_fields(step),
        )
        for step in flow.steps
    ]
    open_for_more = revision.state in (Revision.State.DRAFT, Revision.State.IN_REVIEW)
    context = {
        "revision": revision,
        "flow": flow,
        "steps": steps,
        "since": since,
        "open": open_for_more,
        "section": "procedures",
    }
    return render(request, "procedures/desk/remarks.html", context)


@require_safe
def compared(request: SignedInRequest, key: str, number: int, other: int) -> HttpResponse:
    """Two revisions: what was added, removed, reworded, rerouted, changed in meaning, kept."""
    new, old = requested_revision(key, number), requested_revision(key, other)
    after, before = flow_of(new), flow_of(old)
    found, drawing = compare(before, after), merged_diff(before, after)
    context = {
        "drawn": draw_chart(
            drawing.flow,
            ChartOptions(path=drawing.changed, changes=drawing.changes),
            drawing_asked(request.GET, Drawing.WIDE),
        ),
        "new": new,
        "old": old,
        "procedure": new.procedure,
        "comparison": found,
        "kinds": [
            _apart_from_kept("Steps", [(one, _said(one.step, "", before, after)) for one in found.steps]),
            _apart_from_kept("Outcomes", [_outcome(one, before, after) for one in found.outcomes]),
            _apart_from_kept("Causes", [(one, one.cause.replace("-", " ")) for one in found.causes]),
        ],
        "lost": sum(one.loses_evidence for one in (*found.steps, *found.outcomes)),
        "revisions": new.procedure.revisions.order_by("-number"),
        "section": "procedures",
    }
    return render(request, "procedures/desk/compared.html", context)


Row = tuple[ItemChange, str]


def _apart_from_kept(heading: str, rows: list[Row]) -> tuple[str, list[Row], list[str]]:
    """Heading, what changed, and the words of what was kept."""
    kept = [words for one, words in rows if one.change is ChangeKind.KEPT]
    return heading, [row for row in rows if row[0].change is not ChangeKind.KEPT], kept


def _outcome(one: ItemChange, before: Flow, after: Flow) -> Row:
    return with_titles(one, before, after), _said(one.step, one.outcome, before, after)


def _said(step: str, outcome: str, before: Flow, after: Flow) -> str:
    held = after.step_by_key.get(step) or before.step_by_key[step]
    if not outcome:
        return held.title
    labels = {one.key: one.label for one in held.outcomes}
    return f"{held.title}: {labels.get(outcome, outcome.replace('-', ' '))}"


def _to(request: SignedInRequest, address: str) -> HttpResponse:
    if wants_part(request):
        return HttpResponse(status=204, headers={"HX-Redirect": address})
    return redirect(address)
