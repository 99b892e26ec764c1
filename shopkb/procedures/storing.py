"""Rows to Flow and back: the only place that knows both."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from typing import Any

from django.db import transaction

from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import (
    AskedValue,
    Cause,
    ComputedValue,
    Flow,
    Go,
    GoKind,
    Proof,
    ReadingSpec,
    TestKind,
    Usual,
    Value,
)
from shopkb.core.flow.model import Outcome as FlowOutcome
from shopkb.core.flow.model import Step as FlowStep
from shopkb.core.readings.bands import parse_band
from shopkb.core.readings.units import parse_quantity
from shopkb.procedures.models import Outcome, Revision, RevisionCause, Step


def checksum(flow: Flow) -> str:
    """SHA-256 of the procedure file: equal for equal flows."""
    return hashlib.sha256(write_flow(flow).encode()).hexdigest()


def flow_of(revision: Revision) -> Flow:
    """The revision as a value. Four queries the first time; revisions out of draft are remembered by checksum."""
    if revision.state == Revision.State.DRAFT or not revision.checksum:
        return flow_in(Revision.objects.whole().get(pk=revision.pk))
    return _remembered(revision.pk, revision.checksum)


@lru_cache(maxsize=256)
def _remembered(revision_id: int, _checksum: str) -> Flow:
    return flow_in(Revision.objects.whole().get(pk=revision_id))


def flow_in(revision: Revision) -> Flow:
    """The revision as a value, from the rows at hand; nothing is remembered. They come from ``whole()``."""
    return Flow(
        procedure=revision.procedure.key,
        title=revision.title,
        system=revision.system_path,
        start=revision.start,
        steps=tuple(_read_step(row) for row in revision.steps.all()),
        causes=tuple(_read_cause(row) for row in revision.causes.all()),
        values=tuple(_read_value(row) for row in revision.values),
        symptoms=tuple(revision.symptoms),
        codes=tuple(revision.codes),
        platforms=tuple(revision.platforms),
        summary=revision.summary,
        verify=revision.verify,
    )


def _read_step(row: Step) -> FlowStep:
    reading = row.reading
    return FlowStep(
        key=row.key,
        title=row.title,
        test=TestKind(row.test),
        outcomes=tuple(_read_outcome(outcome) for outcome in row.outcomes.all()),
        at=row.at,
        access=row.access,
        minutes=row.minutes,
        instruction=row.instruction,
        tools=tuple(row.tools),
        needs=tuple(row.needs),
        cautions=tuple(row.cautions),
        isolates=tuple(row.isolates),
        picture=row.picture,
        reading=ReadingSpec(reading["quantity"], reading["unit"], tuple(reading["between"]), reading["loaded"])
        if reading
        else None,
    )


def _read_outcome(row: Outcome) -> FlowOutcome:
    return FlowOutcome(
        key=row.key,
        label=row.label,
        go=Go(GoKind(row.go_kind), row.go_key),
        band=parse_band(row.band) if row.band else None,
        proof=Proof(row.proof) if row.proof else None,
        note=row.note,
    )


def _read_cause(row: RevisionCause) -> Cause:
    return Cause(
        key=row.key,
        component=row.component,
        mode=row.mode,
        usual=Usual(row.usual),
        correction=row.correction,
        minutes=row.minutes,
        price=row.price,
        also=row.also,
    )


def _read_value(row: dict[str, Any]) -> Value:
    if "compute" in row:
        return ComputedValue(row["key"], row["compute"], tuple((name, text) for name, text in row["inputs"]))
    low, high = row.get("from"), row.get("to")
    return AskedValue(
        row["key"],
        row["ask"],
        row["unit"],
        parse_quantity(low) if low else None,
        parse_quantity(high) if high else None,
    )


def _value_row(value: Value) -> dict[str, Any]:
    if isinstance(value, ComputedValue):
        return {"key": value.key, "compute": value.compute, "inputs": [list(pair) for pair in value.inputs]}
    row: dict[str, Any] = {"key": value.key, "ask": value.ask, "unit": value.unit}
    if value.low is not None:
        row["from"] = str(value.low)
    if value.high is not None:
        row["to"] = str(value.high)
    return row


@transaction.atomic
def write_rows(revision: Revision, flow: Flow) -> None:
    """Make the draft's rows say exactly what ``flow`` says. ``revision`` is saved with its new checksum.

    Raises:
        ValueError: the revision is no draft; what was published never changes.
    """
    if not revision.may_change:
        raise ValueError(f"Revision {revision.number} is {revision.get_state_display()} and cannot change.")
    revision.title = flow.title
    revision.system_path = flow.system
    revision.summary = flow.summary
    revision.verify = flow.verify
    revision.start = flow.start
    revision.symptoms = list(flow.symptoms)
    revision.codes = list(flow.codes)
    revision.platforms = list(flow.platforms)
    revision.values = [_value_row(value) for value in flow.values]
    revision.checksum = checksum(flow)
    revision.save()
    revision.causes.all().delete()
    revision.steps.all().delete()
    RevisionCause.objects.bulk_create(
        _cause_row(revision, position, cause) for position, cause in enumerate(flow.causes)
    )
    steps = Step.objects.bulk_create(_step_row(revision, position, step) for position, step in enumerate(flow.steps))
    Outcome.objects.bulk_create(
        _outcome_row(row, position, outcome)
        for row, step in zip(steps, flow.steps, strict=True)
        for position, outcome in enumerate(step.outcomes)
    )


def _cause_row(revision: Revision, position: int, cause: Cause) -> RevisionCause:
    return RevisionCause(
        revision=revision,
        position=position,
        key=cause.key,
        component=cause.component,
        mode=cause.mode,
        usual=cause.usual.value,
        correction=cause.correction,
        minutes=cause.minutes,
        price=cause.price,
        also=cause.also,
    )


def _step_row(revision: Revision, position: int, step: FlowStep) -> Step:
    spec = step.reading
    return Step(
        revision=revision,
        position=position,
        key=step.key,
        title=step.title,
        test=step.test.value,
        at=step.at,
        access=step.access,
        minutes=step.minutes,
        instruction=step.instruction,
        picture=step.picture,
        tools=list(step.tools),
        needs=list(step.needs),
        cautions=list(step.cautions),
        isolates=list(step.isolates),
        reading={"quantity": spec.quantity, "unit": spec.unit, "between": list(spec.between), "loaded": spec.loaded}
        if spec
        else None,
    )


def _outcome_row(step: Step, position: int, outcome: FlowOutcome) -> Outcome:
    return Outcome(
        step=step,
        position=position,
        key=outcome.key,
        label=outcome.label,
        go_kind=outcome.go.kind.value,
        go_key=outcome.go.key,
        band=outcome.band.text() if outcome.band else "",
        proof=outcome.proof.value if outcome.proof else "",
        note=outcome.note,
    )
