"""Finding a procedure and reading it."""

from __future__ import annotations

from typing import cast

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right
from shopkb.catalog.models import Platform, Symptom, System
from shopkb.charts.drawings import Drawing
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.render import Form
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.findings import CheckFinding
from shopkb.core.flow.model import Flow, Step
from shopkb.core.flow.names import cause_words, leads_to
from shopkb.evidence.learned_procedure import read_once
from shopkb.evidence.procedure_record import records
from shopkb.evidence.recent_evidence import RecentEvidence, last_proven, recent_evidence
from shopkb.procedures.desk.finding_text import desk_finding
from shopkb.procedures.drawing import (
    chart_bytes,
    chart_of,
    draw_chart,
    drawing_asked,
    drawing_slots,
    folding_asked,
    sheets_bytes,
)
from shopkb.procedures.hand_overs import titles_behind
from shopkb.procedures.learned_today import learned_today, this_month
from shopkb.procedures.matching import search
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.printed import paper_asked, title_on_sheets
from shopkb.procedures.publishing import findings_of
from shopkb.procedures.storing import flow_of
from shopkb.procedures.views.nothing_fits import nothing_fits
from shopkb.procedures.views.requested import requested_revision
from shopkb.web.htmx import render_page_or_part

MEDIA = {"svg": "image/svg+xml", "pdf": "application/pdf", "png": "image/png"}


@require_safe
def procedure_list(request: SignedInRequest) -> HttpResponse:
    """Procedures in force, found by words, symptom, part of a fault code, system, vehicle, and what proved right."""
    words = request.GET.get("words", "").strip()[:200]
    symptom = request.GET.get("symptom", "")
    code = request.GET.get("code", "").strip().upper()[:10]
    system, platform = request.GET.get("system", ""), request.GET.get("platform", "")
    proven = last_proven()
    found = search(
        words=words,
        symptom=symptom,
        codes=[code] if code else [],
        system=system,
        platform=platform,
        proven={key: [cause_words(one.cause) for one in causes] for key, causes in proven.items()},
        limit=100,
    )
    context = {
        "offers": [(offer, next(iter(proven.get(offer.procedure.key, ())), None)) for offer in found.offers],
        **nothing_fits(found, asked=bool(words or symptom or code)),
        "system": system,
        "platform": platform,
        "systems": System.objects.filter(level=0).order_by("tree_id"),
        "platforms": Platform.objects.filter(level__lte=1).order_by("tree_id", "lft"),
        "words": words,
        "symptom": symptom,
        "code": code,
        "symptoms": Symptom.objects.only("key", "name"),
        "drafts": _drafts(request),
        "section": "procedures",
    }
    return render_page_or_part(request, "procedures/list.html", "procedures/_offers.html", context)


@require_safe
def procedure_page(request: SignedInRequest, key: str) -> HttpResponse:
    """The revision in force: chart with evidence, the same as a list, its causes and revisions."""
    procedure = get_object_or_404(Procedure.objects.for_list(), key=key)
    revision = procedure.in_force or procedure.revisions.order_by("-number").first()
    if revision is None:
        raise Http404
    return _page(request, procedure, revision)


@require_safe
def revision_page(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """One revision of a procedure, whatever its state."""
    procedure = get_object_or_404(Procedure.objects.for_list(), key=key)
    revision = get_object_or_404(procedure.revisions.select_related("author", "reviewer"), number=number)
    return _page(request, procedure, revision)


@require_safe
def step_page(request: SignedInRequest, key: str, number: int, step: str) -> HttpResponse:
    """One step of a revision, as the person at the vehicle sees it, with the evidence of its branches."""
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    if step not in flow.step_by_key:
        raise Http404
    learned = learned_today(flow, revision.checksum)
    titles = titles_behind(flow.step_by_key[step].outcomes)
    return render(
        request,
        "procedures/step.html",
        {
            "procedure": revision.procedure,
            "revision": revision,
            "step": flow.step_by_key[step],
            "number": flow.number_by_step[step],
            "branches": [
                (outcome, leads_to(flow, outcome.go, titles), learned.branches[here], learned.differing.get(here, ()))
                for outcome in flow.step_by_key[step].outcomes
                for here in [(step, outcome.key)]
            ],
            "is_corrected": any(
                found.corrected is not None for branch, found in learned.branches.items() if branch[0] == step
            ),
            "platforms_differ": any(branch[0] == step for branch in learned.differing),
            "flow": flow,
            "section": "procedures",
        },
    )


@require_safe
def chart_file(request: SignedInRequest, key: str, number: int, form: str) -> HttpResponse:
    """The chart as a file: SVG, PNG, its DOT text, or a PDF: cards on A4 or A3 sheets, a flowchart on one sheet."""
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    name = f"{key}-{number}.{form}"
    drawing = drawing_asked(request.GET, Drawing.WIDE)
    in_sheets = form == "pdf" and drawing is not Drawing.FLOWCHART
    try:
        options = ChartOptions(notes=learned_today(flow, revision.checksum).notes)
        chart = chart_of(flow, options, Drawing.TALL if in_sheets else drawing)
        if form == "dot":
            return _file(chart.source.encode(), "text/vnd.graphviz; charset=utf-8", name)
        if form not in MEDIA:
            raise Http404
        with drawing_slots.taken(request.user.pk):
            if in_sheets:
                pages = sheets_bytes(flow, chart, paper_asked(request.GET), title_on_sheets(flow, number))
                return _file(pages, MEDIA[form], name)
            return _file(chart_bytes(chart, cast("Form", form)), MEDIA[form], name)
    except ChartUnavailable as error:
        return render(request, "procedures/no_chart.html", {"reason": str(error), "revision": revision}, status=503)


@require_safe
def procedure_file(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The revision as a procedure file."""
    revision = requested_revision(key, number)
    text = write_flow(flow_of(revision))
    return _file(text.encode(), "application/yaml; charset=utf-8", f"{key}.yaml")


def step_links(flow: Flow, revision: Revision) -> dict[str, str]:
    """Address of each step's page, by step key."""
    return {
        step.key: reverse("procedures:step", args=[flow.procedure, revision.number, step.key]) for step in flow.steps
    }


def _changes(flow: Flow, found: RecentEvidence) -> list[tuple[str, str]]:
    """Where something is not what it was, and how: fallen branches first."""
    branches = sorted(found.drift.branches, key=lambda one: not one.fallen)
    changes = [
        (f"{flow.step_by_key[one.step].title}, {flow.step_by_key[one.step].outcome(one.outcome).label}", one.words)
        for one in branches
    ]
    for each in found.drift.steps:
        step = flow.step_by_key[each.step]
        changes.append((step.title, each.words(step.outcome(each.most_changed).label)))
    return changes


def _page(request: SignedInRequest, procedure: Procedure, revision: Revision) -> HttpResponse:
    flow = flow_of(revision)
    read = read_once()
    learned = learned_today(flow, revision.checksum, read=read)
    found = recent_evidence(flow, revision.checksum, this_month(), read)
    context = {
        "procedure": procedure,
        "revision": revision,
        "flow": flow,
        "drawn": draw_chart(
            flow,
            ChartOptions(notes=learned.notes, links=step_links(flow, revision)),
            drawing_asked(request.GET, Drawing.WIDE),
            folding_asked(request.path, request.GET),
        ),
        "appraisal": learned.appraisal,
        "verified_jobs": learned.verified_jobs,
        "record": records([procedure.key]).get(procedure.key),
        "recent": found,
        "changes": _changes(flow, found),
        "skipped": [(flow.step_by_key[one.step].title, one) for one in found.skipped],
        "revisions": procedure.revisions.select_related("author", "reviewer").order_by("-number"),
        "section": "procedures",
        "findings": _findings(flow) if revision.state in ("draft", "in-review") else [],
    }
    return render(request, "procedures/procedure.html", context)


def _findings(flow: Flow) -> list[tuple[CheckFinding, Step | None]]:
    """What the checks find in a draft, each with the step it concerns."""
    return [(desk_finding(flow, one), flow.step_by_key.get(one.step)) for one in findings_of(flow)]


def _drafts(request: SignedInRequest) -> list[Revision]:
    if not request.user.may(Right.WRITE):
        return []
    waiting = Revision.objects.filter(state__in=[Revision.State.DRAFT, Revision.State.IN_REVIEW])
    return list(waiting.select_related("procedure", "author"))


def _file(body: bytes, kind: str, name: str) -> HttpResponse:
    return HttpResponse(body, content_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})
