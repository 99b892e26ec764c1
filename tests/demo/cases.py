"""Simulated jobs as closed cases, without a database: an independent reading of what rows say."""

from __future__ import annotations

from collections.abc import Mapping

from shopkb.core.diagnosis.cases import CaseResult, ClosedCase
from shopkb.core.flow.model import Flow
from shopkb.core.flow.walk import Entry, walk
from shopkb.demo.simulator import Simulated


def case_of_past(flows: Mapping[str, Flow], made: Simulated) -> ClosedCase:
    """What the job teaches, but for times and rejected ends."""
    past = made.past
    results = []
    for run in past.runs:
        way = walk(flows[run.procedure], [Entry(row.step, row.outcome or row.onward) for row in run.results])
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
