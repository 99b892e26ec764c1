"""Values that a run asks for once: what was given, and which answers another value would change."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from shopkb.accounts.models import User
from shopkb.catalog.meter_values import meter_of
from shopkb.core.flow.model import AskedValue, Step
from shopkb.core.readings.judgement import judge
from shopkb.core.readings.quantities import Quantity, Reading, ReadingError
from shopkb.core.readings.units import UNITS
from shopkb.jobs.models import Result
from shopkb.jobs.run_state import RunState


@dataclass(frozen=True, slots=True)
class GivenValue:
    """A value as it stands: how it was asked, what was typed, by whom and when. ``corrected``: how often before."""

    value: AskedValue
    typed: str
    unit: str
    who: User
    at: datetime
    corrected: int

    @property
    def text(self) -> str:
        """What was typed, with the unit chosen beside it unless a unit was typed too."""
        bare = re.fullmatch(r"[\d\s.,+-]+", self.typed)
        return f"{self.typed} {UNITS[self.unit].sign}" if bare and self.unit in UNITS else self.typed


@dataclass(frozen=True, slots=True)
class ChangedAnswer:
    """A step whose reading now gives another answer than the one that was given, or (``now`` is empty) none."""

    step: Step
    given: str
    now: str


def given_values(run_state: RunState) -> list[GivenValue]:
    """What was given on this run, in the order it was first asked. One query."""
    rows = list(run_state.run.values.select_related("who").order_by("pk"))
    found: dict[str, GivenValue] = {}
    for row in rows:
        value = run_state.flow.value_by_key.get(row.key)
        if isinstance(value, AskedValue):
            before = found.pop(row.key, None)
            again = before.corrected + 1 if before else 0
            found[row.key] = GivenValue(value, row.typed, row.unit, row.who, row.at, again)
    return sorted(found.values(), key=lambda each: [row.key for row in rows].index(each.value.key))


def changed_answers(
    run_state: RunState, before: Mapping[str, Quantity], after: Mapping[str, Quantity]
) -> Iterator[ChangedAnswer]:
    """Answers of the run whose readings give another outcome with the values ``after`` than with those ``before``.

    Both hold computed values too: see :func:`shopkb.jobs.answering.values_of`.
    """
    for row in run_state.effective:
        step = run_state.flow.step_by_key[row.step]
        if row.reading is None or step.reading is None or not row.outcome:
            continue
        now = _outcome(step, row, after)
        if now not in (row.outcome, _outcome(step, row, before)):
            yield ChangedAnswer(step, step.outcome(row.outcome).label, step.outcome(now).label if now else "")


def _outcome(step: Step, row: Result, values: Mapping[str, Quantity]) -> str:
    """What the reading of this answer gives with these values; empty where nothing."""
    if step.reading is None or row.reading is None:
        return ""
    bands = [(outcome.key, outcome.band) for outcome in step.outcomes if outcome.band is not None]
    meter = meter_of(row.meter) if row.meter is not None else None
    reading = Reading(Quantity(row.reading, row.unit))
    try:
        return judge(
            bands, reading, values, step.reading.quantity, step.reading.unit, meter, step.reading.plausible
        ).outcome
    except ReadingError:
        return ""
