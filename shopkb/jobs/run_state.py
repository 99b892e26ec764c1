"""A run read once: where it stands and everything recorded on it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from django.db.models import Prefetch
from django.http import Http404

from shopkb.core.flow.model import Flow
from shopkb.core.flow.walk import Walk
from shopkb.jobs.models import Job, Result, Run
from shopkb.jobs.run_results import standing_results, walk_of
from shopkb.procedures.storing import flow_of


@dataclass(frozen=True)
class RunState:
    """A run with its flow. ``rows`` are the answers that were not taken back, in the order they were recorded.

    ``others`` are the other runs of the same job, where they were read along.
    """

    run: Run
    flow: Flow
    rows: list[Result]
    walk: Walk
    others: tuple[RunState, ...] = ()

    @cached_property
    def effective(self) -> list[Result]:
        """The results that count, in the order they were recorded."""
        return standing_results(self.flow, self.rows, self.walk)

    @property
    def of_job(self) -> list[RunState]:
        """This run and the others of its job, in the order they were started."""
        return sorted((self, *self.others), key=lambda each: each.run.pk)


def state_of(run: Run) -> RunState:
    """Needs ``results`` loaded, with their retractions, in order. One query the first time a flow is met."""
    flow = flow_of(run.revision)
    rows = [row for row in run.results.all() if not hasattr(row, "retraction")]
    return RunState(run, flow, rows, walk_of(flow, rows))


def run_state_of(pk: int) -> RunState:
    """The run with this number and the others of its job. Two queries, and one for each flow met the first time.

    Raises:
        Http404: there is no such run.
    """
    runs = _RUNS.filter(job__runs__id=pk).select_related(
        "job__vehicle", "job__platform", "job__symptom", "revision__procedure", "holder"
    )
    states = [state_of(run) for run in runs]
    found = next((state for state in states if state.run.pk == pk), None)
    if found is None:
        raise Http404
    for state in states:
        state.run.job = found.run.job
    return replace(found, others=tuple(state for state in states if state is not found))


def run_states_of(job: Job) -> list[RunState]:
    """All runs of a job, in the order they were started. Two queries, and one for each flow met the first time."""
    states = [state_of(run) for run in _RUNS.filter(job=job).select_related("revision__procedure", "holder")]
    for state in states:
        state.run.job = job
    return states


_RUNS = Run.objects.order_by("pk").prefetch_related(
    Prefetch("results", Result.objects.select_related("who", "retraction").order_by("pk"))
)
