"""Answers that a device kept while the network was away: taken in order, each once, never lost.

The server decides what counts. An answer that comes too late (the step was answered otherwise, somebody else holds the
run) is kept and shown, and does not move the run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Meter
from shopkb.jobs.dangers import Passing, pass_danger
from shopkb.jobs.errors import NotNow, NotPossible, OtherBody, Unreadable
from shopkb.jobs.following import Answer, record, record_value
from shopkb.jobs.models import Result, Retraction, Run
from shopkb.procedures.storing import flow_of

JUDGED_LATER = "Answered without the network; the reading was judged later."


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one item: stored before, counts now, or kept aside with the reason."""

    again: bool = False
    counts: bool = True
    why: str = ""


def receive(run: Run, item: Mapping[str, str], *, by: User, at: datetime) -> Receipt:
    """Store one item of an outbox: an ``answer``, a ``value`` or a confirmed ``danger``.

    Raises:
        Unreadable: it cannot be read; the device keeps it and shows why.
        OtherBody: its id was used for something else.
        NotPossible: nobody may record on this run any more.
    """
    require(by, Right.WORK)
    client_id = UUID(item["client_id"])
    if item.get("kind") == "value":
        record_value(run, item.get("key", ""), item.get("typed", "")[:60], by=by, at=at, client_id=client_id)
        return Receipt()
    if item.get("kind") == "danger":
        seconds = int(item.get("shown_seconds") or 0)
        pass_danger(run, Passing(item.get("step", ""), item.get("caution", ""), seconds, client_id), by=by, at=at)
        return Receipt()
    return _answer(run, _read(item, client_id), by=by, at=at)


def _read(item: Mapping[str, str], client_id: UUID) -> Answer:
    return Answer(
        step=item.get("step", ""),
        client_id=client_id,
        outcome=item.get("outcome", ""),
        skipped=item.get("skipped", ""),
        onward=item.get("onward", ""),
        typed=item.get("typed", "")[:60],
        unit=item.get("unit", ""),
        meter=Meter.objects.filter(key=item["meter"]).first() if item.get("meter") else None,
        override_why=item.get("override_why", ""),
        note=item.get("note", "")[:2000],
    )


def _answer(run: Run, answer: Answer, *, by: User, at: datetime) -> Receipt:
    held = Run.objects.select_related("job", "revision", "holder").get(pk=run.pk)
    if held.holder_id != by.pk and held.job.is_open:
        return _keep_aside(held, answer, f"{held.holder} holds the run by now.", by=by, at=at)
    try:
        return Receipt(again=record(held, answer, by=by, at=at).again)
    except NotNow as error:
        return _keep_aside(held, answer, str(error), by=by, at=at)
    except (Unreadable, OtherBody):
        raise
    except NotPossible:
        if answer.typed and not answer.override_why:
            return Receipt(again=record(held, replace(answer, override_why=JUDGED_LATER), by=by, at=at).again)
        raise


@transaction.atomic
def _keep_aside(run: Run, answer: Answer, why: str, *, by: User, at: datetime) -> Receipt:
    """Keep a late answer as it was given, marked as not counting."""
    before = Result.objects.filter(client_id=answer.client_id).first()
    if before is not None:
        return Receipt(again=True, counts=False, why=why)
    step = flow_of(run.revision).step_by_key.get(answer.step)
    if step is None or not (answer.outcome or answer.skipped):
        raise NotPossible(f"This procedure has no step called {answer.step!r}.")
    late = Result.objects.create(
        run=run,
        step=step.key,
        outcome=answer.outcome,
        skipped="" if answer.outcome else answer.skipped,
        onward=answer.onward,
        typed=answer.typed.strip(),
        note=answer.note,
        who=by,
        at=at,
        client_id=answer.client_id,
    )
    Retraction.objects.create(result=late, who=by, at=at, client_id=answer.client_id)
    return Receipt(counts=False, why=why)
