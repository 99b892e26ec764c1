"""What is still unplugged, taken off or opened on the vehicle, as the steps done on it say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Access
from shopkb.core.flow.model import Flow
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.log.event_log import log_rows
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import Job, PutBack, Result, Run
from shopkb.procedures.storing import flow_of


@dataclass(frozen=True, slots=True)
class PartOff:
    """A part that is unplugged, or (``is_state``) a set-up state that has to be undone, in a run."""

    run: Run
    part: str
    is_state: bool = False

    @property
    def back_words(self) -> str:
        """What a person confirms by ticking it."""
        return f'put back as it was: "{self.part}"' if self.is_state else f"{self.part}: back in place"


def off_in(
    run: Run, flow: Flow, rows: Sequence[Result], put_back: Iterable[PutBack], states: Mapping[str, str] | None = None
) -> list[PartOff]:
    """What was taken off in this run and has not been confirmed back in place since.

    ``states``: names of the set-up states that leave something to refit; one query when they are not given.

    Answers that were superseded count too: a plug pulled on the wrong way is still pulled.
    """
    last_off: dict[str, int] = {}
    isolated: set[str] = set()
    states = _states() if states is None else states
    for row in rows:
        step = flow.step_by_key.get(row.step)
        if step is None or row.skipped:
            continue
        isolated.update(step.isolates)
        for part in [*step.isolates, *([states[step.access]] if step.access in states else [])]:
            last_off[part] = max(row.pk, last_off.get(part, 0))
    for back in put_back:
        if back.part in last_off and back.after >= last_off[back.part]:
            del last_off[back.part]
    return [PartOff(run, part, part not in isolated) for part in last_off]


def off_on(job: Job) -> list[PartOff]:
    """The same over all runs of a job."""
    runs = job.runs.select_related("revision__procedure").prefetch_related("results", "put_back").order_by("pk")
    states = _states()
    return [
        off
        for run in runs
        for off in off_in(run, flow_of(run.revision), list(run.results.all()), run.put_back.all(), states)
    ]


def _states() -> dict[str, str]:
    return {row.key: row.name for row in Access.objects.filter(refit=True)}


@transaction.atomic
def confirm_back(run: Run, parts: Iterable[str], *, by: User, at: datetime) -> int:
    """Say by name that these parts are back in place. Returns how many were off.

    Raises:
        NotPossible: nothing was named, or the job is closed.
    """
    require(by, Right.WORK)
    named = set(parts)
    if not named:
        raise NotPossible("Tick each part that is back in its place.")
    locked = Run.objects.select_for_update(of=("self",)).select_related("job", "revision__procedure").get(pk=run.pk)
    if not locked.job.is_open:
        raise NotPossible(f"{locked.job} is closed; its vehicle has gone.")
    rows = list(locked.results.all())
    off = off_in(locked, flow_of(locked.revision), rows, locked.put_back.all())
    after = max((row.pk for row in rows), default=0)
    back = [PutBack(run=locked, part=each.part, after=after, who=by, at=at) for each in off if each.part in named]
    PutBack.objects.bulk_create(back)
    log_rows(locked.pk, Kind.PUT_BACK, back, by=by, at=at)
    return len(back)
