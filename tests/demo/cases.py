"""Simulated jobs as closed cases and facts, without a database: an independent reading of what rows say."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from itertools import pairwise

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.flow.model import Flow, Step
from shopkb.core.flow.walk import AnsweredStep, walk
from shopkb.demo.past_jobs import PastResult, PastRun
from shopkb.demo.simulator import Simulated
from shopkb.jobs.answering import longest_work
from shopkb.jobs.job_facts import AnswerFact, JobFact, RepairFact


def case_of_past(flows: Mapping[str, Flow], made: Simulated) -> ClosedCase:
    """What the job teaches, but for times and rejected ends."""
    past = made.past
    results = []
    for run in past.runs:
        way = walk(flows[run.procedure], [AnsweredStep(row.step, row.outcome or row.onward) for row in run.results])
        rows = [run.results[place] for place in sorted(way.standing)]
        results += [CaseResult(run.procedure, row.step, row.outcome, row.skipped) for row in rows]
    cured = past.repairs[-1] if past.disposition == "cured" else None
    claimed = cured.cause if cured else ""
    return ClosedCase(
        job=0,
        platform=past.platform,
        month=f"{past.closed_at:%Y-%m}",
        cause="" if made.comes_back else claimed,
        proof=cured.proof if cured else "",
        claimed=claimed,
        came_back=made.comes_back,
        results=tuple(results),
    )


def fact_of_past(flows: Mapping[str, Flow], number: int, made: Simulated) -> JobFact:
    """The job as figures see it; a procedure in force before the one of ``flows`` counts as revision 1, else 2."""
    past = made.past
    answers = [row for run in past.runs for row in _answers(made.earlier.get(run.procedure), flows, run)]
    repairs = [
        RepairFact(number * 10 + at, one.cause, one.proof, one.who, one.cured) for at, one in enumerate(past.repairs)
    ]
    return JobFact(
        number, past.platform, past.symptom, past.disposition, past.opened_at, past.closed_at, past.closed_by,
        tuple({run.procedure for run in past.runs}), tuple(repairs), (), past.closed_at if made.comes_back else None,
        tuple(answers),
    )  # fmt: skip


def _expected(step: Step, row: PastResult, gap: timedelta) -> int | None:
    if gap <= longest_work(step):
        return None
    return 0 if row.skipped else round(60 * (step.minutes or 5))


def _answers(earlier: Flow | None, flows: Mapping[str, Flow], run: PastRun) -> list[AnswerFact]:
    """Those that stand; a time is known unless a long break lies in it."""
    answers = [AnsweredStep(row.step, row.outcome or row.onward) for row in run.results]
    flow = earlier or flows[run.procedure]
    way, steps = walk(flow, answers), flow.step_by_key
    moments = [run.started_at, *(row.at for row in run.results)]
    gaps = [there - here for here, there in pairwise(moments)]
    return [
        AnswerFact(
            run.procedure, row.step, row.outcome, row.skipped,
            round(gaps[place].total_seconds()) if gaps[place] <= longest_work(steps[row.step]) else None,
            expected=_expected(steps[row.step], row, gaps[place]),
            off_path=False, overridden=bool(row.override_why), who=row.who, revision=1 if earlier else 2,
        )
        for place, row in enumerate(run.results)
        if place in way.standing
    ]  # fmt: skip
