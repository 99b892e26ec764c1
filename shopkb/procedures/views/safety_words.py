"""Proposed safety words: what waits, one proposal beside what is in force, and every wording there was."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right
from shopkb.catalog import wordings
from shopkb.catalog.meter_accuracy import PARTS
from shopkb.catalog.models import Proposal, SafetyKind, System, Wording
from shopkb.catalog.wordings import ChangeRefused
from shopkb.core.flow.checks.step_hazards import HAZARDS
from shopkb.procedures import safety_words
from shopkb.web.shown_refusals import shown_as_message

DECIDED_SHOWN = 20
SENTENCE_END = re.compile(r"(?<=[.!?])\s+")
LABELS = {
    "signal": "Signal word",
    "title": "Title",
    "text": "What to do",
    "hazards": "Hazards",
    "ask": "State to confirm",
    "name": "Name",
    "refit": "To be put back",
    "accuracies": "Limits of accuracy",
}


@dataclass(frozen=True, slots=True)
class FactLine:
    """One field as lines of text: what is in force, and what is proposed."""

    label: str
    now: tuple[str, ...]
    then: tuple[str, ...]

    @property
    def changed(self) -> bool:
        return self.now != self.then

    @property
    def lost(self) -> tuple[str, ...]:
        """Lines of what is in force that the proposal has no more."""
        return tuple(line for line in self.now if line not in self.then)

    @property
    def added(self) -> tuple[str, ...]:
        return tuple(line for line in self.then if line not in self.now)


@require_safe
def safety_words_page(request: SignedInRequest) -> HttpResponse:
    """What waits for a second person, what was decided last, and every entry with what it says now."""
    proposals = Proposal.objects.select_related("by", "decided_by")
    rows = [(kind, _entries(kind)) for kind in SafetyKind]
    context = {
        "waiting": list(proposals.filter(state=Proposal.State.WAITING)),
        "decided": list(proposals.exclude(state=Proposal.State.WAITING).order_by("-decided_at")[:DECIDED_SHOWN]),
        "kinds": [(kind.label, entries) for kind, entries in rows if entries],
        "section": "procedures",
    }
    return render(request, "procedures/safety/list.html", context)


@require_safe
def proposal_page(request: SignedInRequest, pk: int) -> HttpResponse:
    """A proposal beside what it changes, and what the checks of the procedures in force would say."""
    proposal = get_object_or_404(Proposal.objects.select_related("by", "decided_by"), pk=pk)
    waiting = proposal.state == Proposal.State.WAITING
    based_on = Wording.objects.filter(kind=proposal.kind, key=proposal.key, number=proposal.based_on).first()
    row = wordings.row_of(proposal.kind, proposal.key)
    now = based_on.facts if based_on else wordings.facts_of(row) if row is not None else {}
    own = proposal.by_id == request.user.pk
    effects = safety_words.effects_of(proposal) if waiting else ()
    context = {
        "proposal": proposal,
        "name": str(row) if row is not None else proposal.key,
        "based_on": based_on,
        "lines": _lines(now, proposal.facts),
        "now": now,
        "caution": proposal.kind == SafetyKind.CAUTION,
        "waiting": waiting,
        "own": own,
        "may_confirm": waiting and request.user.may(Right.PUBLISH) and not (own and settings.REVIEW_BY_SECOND_PERSON),
        "uses": wordings.uses(proposal.kind, proposal.key),
        "effects": effects,
        "broken": any(effect.errors for effect in effects),
        "section": "procedures",
    }
    return render(request, "procedures/safety/proposal.html", context)


@require_safe
def wordings_page(request: SignedInRequest, kind: str, key: str) -> HttpResponse:
    """Everything an entry ever said, newest first, with who wrote and who confirmed it."""
    rows = list(Wording.objects.filter(kind=kind, key=key).select_related("written_by", "confirmed_by"))
    if not rows:
        raise Http404
    row = wordings.row_of(kind, key)
    context = {
        "kind": SafetyKind(kind),
        "name": str(row) if row is not None else key,
        "key": key,
        "gone": row is None,
        "rows": [(each, _lines(each.facts, each.facts)) for each in rows],
        "waiting": Proposal.objects.filter(kind=kind, key=key, state=Proposal.State.WAITING).first(),
        "section": "procedures",
    }
    return render(request, "procedures/safety/wordings.html", context)


@require_POST
def confirm(request: SignedInRequest, pk: int) -> HttpResponse:
    return _act(request, pk, safety_words.confirm, "In force. Jobs under way are shown the new words from now on.")


@require_POST
def refuse(request: SignedInRequest, pk: int) -> HttpResponse:
    why = request.POST.get("why", "")
    return _act(request, pk, safety_words.refuse, "Refused. What was in force stays.", why=why)


@require_POST
def take_back(request: SignedInRequest, pk: int) -> HttpResponse:
    return _act(request, pk, safety_words.take_back, "Taken back. What was in force stays.")


def _act(request: SignedInRequest, pk: int, act: Callable[..., object], message: str, **given: str) -> HttpResponse:
    proposal = get_object_or_404(Proposal, pk=pk)
    with shown_as_message(request, ChangeRefused):
        act(proposal, by=request.user, at=timezone.now(), **given)
        messages.success(request, message)
    return redirect("procedures:proposal", pk)


def _entries(kind: SafetyKind) -> list[tuple[str, Wording]]:
    """The name of each entry and its wording in force. Two queries."""
    rows = {wordings.key_of(row): row for row in wordings.MODELS[kind]._default_manager.all()}
    kept = Wording.objects.filter(kind=kind).order_by("key", "-number")
    return [
        (_name(rows[each.key]), each) for each in kept if each.key in rows and rows[each.key].wording == each.number
    ]


def _name(row: wordings.SafetyRow) -> str:
    """A system's name alone does not say which it is."""
    return f"{row.name} ({row.path})" if isinstance(row, System) else str(row)


def _lines(now: Mapping[str, Any], then: Mapping[str, Any]) -> list[FactLine]:
    return [FactLine(LABELS[name], _text(name, now.get(name)), _text(name, then.get(name))) for name in then]


def _text(name: str, value: object) -> tuple[str, ...]:
    """A field as lines of text, what to do sentence by sentence; nothing as no line."""
    if name == "text":
        return tuple(SENTENCE_END.split(str(value or "")))
    if name == "hazards":
        return tuple(HAZARDS.get(key, key) for key in _listed(value))
    if name == "accuracies":
        return tuple(_range(part) for part in _listed(value))
    if isinstance(value, bool):
        return ("yes" if value else "no",)
    return (str(value),) if value else ()


def _listed(value: object) -> Sequence[Any]:
    return value if isinstance(value, list) else ()


def _range(part: Mapping[str, Any]) -> str:
    """``voltage up to 20 V: ± (0.8 % + 5 counts of 10 mV)``."""
    quantity, top, percent, counts, resolution = (part.get(name, "") for name in PARTS)
    return f"{quantity} up to {top}: ± ({percent} % + {counts} counts of {resolution})"
