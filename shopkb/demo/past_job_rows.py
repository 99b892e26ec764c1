"""Past jobs as rows not yet stored, held to what the one-by-one doors demand. Nothing is written here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar
from uuid import UUID, uuid5

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import Access, Cause, Caution, Meter, Platform, Symptom
from shopkb.core.flow.model import AskedValue, Flow
from shopkb.core.flow.walk import AnsweredStep, Walk, walk
from shopkb.core.readings.quantities import Quantity
from shopkb.demo.past_jobs import PastJob, PastRepair, PastResult, PastRun
from shopkb.jobs.answering import Answer, fill, read_value, seconds_since, with_computed
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.log.hash_chain import storable
from shopkb.jobs.models import DangerPassed, Job, PutBack, Repair, Result, Run, RunValue, Verification
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of

Found = TypeVar("Found")


@dataclass(eq=False)
class Names:
    """Everything that past jobs call by name, read once: a constant number of queries."""

    people: Mapping[str, User]
    platforms: Mapping[str, int]
    symptoms: Mapping[str, int]
    meters: Mapping[str, Meter]
    procedures: Mapping[str, tuple[Revision, Flow]]
    dangers: Mapping[str, str]
    """What each DANGER asks to be confirmed, by its key."""
    set_ups: Mapping[str, str]
    """Names of the set-up states that have to be undone, by key."""
    causes: dict[str, int] = field(default_factory=dict)

    @classmethod
    def read(cls) -> Names:
        in_force = Revision.objects.filter(state=Revision.State.PUBLISHED).select_related("procedure")
        return cls(
            people={person.username: person for person in User.objects.all()},
            platforms=dict(Platform.objects.order_by().values_list("path", "pk")),
            symptoms=dict(Symptom.objects.order_by().values_list("key", "pk")),
            meters={meter.key: meter for meter in Meter.objects.all()},
            procedures={revision.procedure.key: (revision, flow_of(revision)) for revision in in_force},
            dangers={row.key: row.ask or row.title for row in Caution.objects.filter(signal=Caution.Signal.DANGER)},
            set_ups=dict(Access.objects.filter(refit=True).values_list("key", "name")),
            causes={cause.identity: cause.pk for cause in Cause.objects.select_related("component")},
        )

    def cause(self, identity: str) -> int:
        """The cause with this identity, made if only its component is known."""
        if identity not in self.causes:
            component, _, mode = identity.partition("#")
            self.causes[identity] = cause_for(component, mode).pk
        return self.causes[identity]


@dataclass(eq=False)
class RunRows:
    run: Run
    results: list[Result]
    values: list[RunValue]
    replaces: list[int | None]
    """For each result, the place of the one it replaces."""
    dangers: list[DangerPassed] = field(default_factory=list)
    put_back: list[PutBack] = field(default_factory=list)


@dataclass(eq=False)
class RepairRows:
    repair: Repair
    verification: Verification
    also: tuple[int, ...]
    found_at: tuple[int, int] | None


@dataclass(eq=False)
class JobRows:
    """One past job's rows, in the order in which they are to be stored."""

    past: PastJob
    job: Job
    runs: list[RunRows]
    repairs: list[RepairRows]


def rows_of(past: PastJob, names: Names) -> JobRows:
    """Rows of one past job; the vehicle and the earlier job are filled in by whoever stores them.

    Raises:
        NotPossible: the doors would have refused it; the sentence names the job and says what is wrong.
    """
    try:
        job = _job(past, names)
        _disposition_fits(past)
        runs = [_run(past, place, run, names) for place, run in enumerate(past.runs)]
        repairs = [_repair(past, place, repair, names) for place, repair in enumerate(past.repairs)]
    except NotPossible as error:
        raise NotPossible(f"{past.name}: {error}") from error
    return JobRows(past, job, runs, repairs)


def _job(past: PastJob, names: Names) -> Job:
    if past.closed_at < past.opened_at:
        raise NotPossible("It was closed before it was opened.")
    if not past.complaint.strip():
        raise NotPossible("The complaint is not said.")
    return Job(
        platform_id=_known(names.platforms, past.platform, "platform"),
        vin=past.vin,
        year=past.year,
        complaint=past.complaint.strip(),
        circumstances=past.circumstances.strip(),
        symptom_id=_known(names.symptoms, past.symptom, "symptom") if past.symptom else None,
        codes=list(past.codes),
        odometer=past.odometer,
        complaint_verified=Job.Verified(past.complaint_verified).value,
        state=Job.State.CLOSED,
        disposition=Job.Disposition(past.disposition).value,
        closing_note=past.closing_note.strip(),
        opened_by_id=_known(names.people, past.opened_by, "person").pk,
        opened_at=past.opened_at,
        closed_by_id=_known(names.people, past.closed_by, "person").pk,
        closed_at=past.closed_at,
        client_id=past.client_id,
    )


def _disposition_fits(past: PastJob) -> None:
    cured = any(repair.cured == Verification.Cured.YES for repair in past.repairs)
    if past.disposition == Job.Disposition.CURED and not cured:
        raise NotPossible("It was closed as cured, and no repair is said to have cured it.")
    if cured and past.disposition != Job.Disposition.CURED:
        raise NotPossible("A repair is said to have cured it, and it was not closed as cured.")
    if past.disposition == Job.Disposition.NOT_CHECKED and not past.repairs:
        raise NotPossible("It was closed as repaired, and no repair is recorded.")
    if past.disposition == Job.Disposition.NOT_PRESENT and past.repairs:
        raise NotPossible("It was closed as nothing repaired, and a repair is recorded.")


def _run(past: PastJob, place: int, source: PastRun, names: Names) -> RunRows:
    revision, flow = _known(names.procedures, source.procedure, "published procedure")
    if source.came_from is not None and not 0 <= source.came_from < place:
        raise NotPossible(f"The procedure {source.procedure} came from a run that is not before it.")
    run = Run(
        revision_id=revision.pk,
        holder_id=_known(names.people, source.holder, "person").pk,
        started_at=source.started_at,
        client_id=_id(past, f"run {place}"),
    )
    values, known = _values(past, place, source, flow, names)
    rows = RunRows(run, [], values, [])
    walked = walk(flow, ())
    for number, result in enumerate(source.results):
        _add_result(rows, result, flow, walked, known, names)
        rows.results[-1].client_id = _id(past, f"run {place} result {number}")
        walked = walk(flow, [AnsweredStep(row.step, row.outcome or row.onward) for row in rows.results])
    _end(run, source, walked, rows.results, past)
    rows.dangers = [_danger(past, place, number, source, names) for number in range(len(source.dangers))]
    closer = _known(names.people, past.closed_by, "person").pk
    rows.put_back = [PutBack(part=part, who_id=closer, at=past.closed_at) for part in _taken_off(rows, flow, names)]
    return rows


def _danger(past: PastJob, place: int, number: int, source: PastRun, names: Names) -> DangerPassed:
    danger = source.dangers[number]
    return DangerPassed(
        step=danger.step,
        caution=danger.caution,
        statement=_known(names.dangers, danger.caution, "danger"),
        shown_seconds=max(0, danger.shown_seconds),
        who_id=_known(names.people, danger.who, "person").pk,
        at=danger.at,
        client_id=_id(past, f"run {place} danger {number}"),
    )


def _taken_off(rows: RunRows, flow: Flow, names: Names) -> list[str]:
    """Parts unplugged and set-up states reached in this run, each once."""
    parts: dict[str, None] = {}
    for result in rows.results:
        step = flow.step_by_key[result.step]
        if not result.skipped:
            parts |= dict.fromkeys(step.isolates)
            parts |= {names.set_ups[step.access]: None} if step.access in names.set_ups else {}
    return list(parts)


def _values(
    past: PastJob, place: int, source: PastRun, flow: Flow, names: Names
) -> tuple[list[RunValue], Mapping[str, Quantity]]:
    rows: list[RunValue] = []
    asked: dict[str, Quantity] = {}
    for number, value in enumerate(source.values):
        asks = flow.value_by_key.get(value.key)
        if not isinstance(asks, AskedValue):
            raise NotPossible(f"The procedure {source.procedure} does not ask for a value called {value.key!r}.")
        asked[value.key] = quantity = read_value(asks, value.typed)
        rows.append(
            RunValue(
                key=value.key,
                typed=value.typed.strip(),
                magnitude=storable(quantity.magnitude),
                unit=quantity.unit,
                who_id=_known(names.people, value.who, "person").pk,
                at=value.at,
                client_id=_id(past, f"run {place} value {number}"),
            )
        )
    return rows, with_computed(flow, asked)


def _add_result(
    rows: RunRows, source: PastResult, flow: Flow, walked: Walk, known: Mapping[str, Quantity], names: Names
) -> None:
    step = flow.step_by_key.get(source.step)
    on_way = [key for key, _route in walked.path]
    if step is None or (source.step != walked.current and source.step not in on_way):
        raise NotPossible(
            f"The result of {source.step!r} is not on the route taken; {walked.current!r} was the step to do."
        )
    before = rows.results[-1].at if rows.results else rows.run.started_at
    if source.at < before:
        raise NotPossible(f"The result of {source.step!r} is older than the one before it.")
    who = _known(names.people, source.who, "person")
    result = Result(step=source.step, who_id=who.pk, at=source.at, note=source.note.strip())
    answer = Answer(
        step=source.step,
        client_id=rows.run.client_id,
        outcome=source.outcome,
        skipped=source.skipped,
        onward=source.onward,
        typed=source.typed,
        meter=_known(names.meters, source.meter, "meter") if source.meter else None,
        override_why=source.override_why,
    )
    fill(result, step, answer, known)
    result.seconds = seconds_since(rows.run, rows.results, step, who, source.at)
    rows.replaces.append(walked.standing[on_way.index(source.step)] if source.step in on_way else None)
    rows.results.append(result)


def _end(run: Run, source: PastRun, walked: Walk, results: list[Result], past: PastJob) -> None:
    last = results[-1].at if results else run.started_at
    if last > past.closed_at or run.started_at < past.opened_at:
        raise NotPossible(f"The procedure {source.procedure} was not followed while the job was open.")
    if source.stopped_why:
        run.state, run.stopped_why, run.ended_at = Run.State.STOPPED, source.stopped_why[:200], last
    elif walked.current:
        run.state, run.stopped_why, run.ended_at = Run.State.STOPPED, "The job was closed.", past.closed_at
    else:
        run.state, run.ended_at = Run.State.ENDED, last


def _repair(past: PastJob, place: int, source: PastRepair, names: Names) -> RepairRows:
    if not source.correction.strip():
        raise NotPossible("A repair does not say what was done to put it right.")
    cured = Verification.Cured(source.cured)
    if cured != Verification.Cured.NOT_CHECKED and not source.how.strip():
        raise NotPossible("A repair does not say how it was checked.")
    if not past.opened_at <= source.at <= source.verified_at <= past.closed_at:
        raise NotPossible("A repair and its check do not lie between opening and closing.")
    if source.found_at is not None:
        run, result = source.found_at
        if not (0 <= run < len(past.runs) and 0 <= result < len(past.runs[run].results)):
            raise NotPossible("A repair names a result that is not recorded.")
    who = _known(names.people, source.who, "person").pk
    repair = Repair(
        cause_id=names.cause(source.cause),
        proof=source.proof.value,
        correction=source.correction.strip(),
        parts=source.parts.strip(),
        minutes=source.minutes,
        also_found=source.also_found.strip(),
        who_id=who,
        at=source.at,
        client_id=_id(past, f"repair {place}"),
    )
    verification = Verification(
        cured=cured.value,
        how=source.how.strip(),
        who_id=who,
        at=source.verified_at,
        client_id=_id(past, f"verification {place}"),
    )
    return RepairRows(repair, verification, tuple(names.cause(identity) for identity in source.also), source.found_at)


def _id(past: PastJob, part: str) -> UUID:
    """The client id of a part of the job: the same every time, so that storing twice is storing once."""
    return uuid5(past.client_id, part)


def _known(known: Mapping[str, Found], name: str, what: str) -> Found:
    try:
        return known[name]
    except KeyError:
        raise NotPossible(f"There is no {what} called {name!r} in this shop.") from None
