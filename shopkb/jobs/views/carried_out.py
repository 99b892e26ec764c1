"""Repairs as a page tells them: with the answer and the reading that proved the cause, and how long it all took."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shopkb.jobs.closed_jobs import latest_verification
from shopkb.jobs.models import Repair, Verification
from shopkb.jobs.run_state import RunState
from shopkb.jobs.views.run_texts import answer_text, reading_text


@dataclass(frozen=True, slots=True)
class CarriedOut:
    """A repair, its latest verification, and the step, answer and reading that its proof rested on (empty: none)."""

    repair: Repair
    verification: Verification | None
    step: str = ""
    answer: str = ""
    reading: str = ""


@dataclass(frozen=True, slots=True)
class MinutesTested:
    """Minutes that the steps took. Not ``all_known``: of some it is not known, so it took longer."""

    minutes: float
    all_known: bool


def carried_out(repair: Repair, states: Sequence[RunState]) -> CarriedOut:
    """Needs ``verifications`` and ``result`` loaded to cost no query."""
    checked, row = latest_verification(repair), repair.result
    state = next((state for state in states if row is not None and state.run.pk == row.run_id), None)
    step = state.flow.step_by_key.get(row.step) if state is not None and row is not None else None
    if row is None or state is None or step is None:
        return CarriedOut(repair, checked)
    return CarriedOut(repair, checked, step.title, answer_text(state.flow, row), reading_text(row))


def minutes_tested(states: Sequence[RunState]) -> MinutesTested | None:
    """Of all steps done in these runs, those answered again or taken back too; ``None`` where of none it is known."""
    rows = [row for state in states for row in state.rows]
    known = [row.seconds for row in rows if row.seconds is not None]
    if not known:
        return None
    return MinutesTested(sum(known) / 60, len(known) == len(rows))
