"""Steps at which the reading itself counts, not only its answer, as the procedure's page says them."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import quantiles

from shopkb.core.diagnosis.belief.reading_densities import StepDensities
from shopkb.core.flow.model import Flow
from shopkb.core.flow.names import cause_words
from shopkb.core.readings.bands import limit_number
from shopkb.evidence.learned_procedure import readings_in_force
from shopkb.procedures.templatetags.procedure_words import unit_sign

FEWEST = 5
"""Readings that a cause needs to be named."""

MOST_NAMED = 4
LEAST_TOLD = 0.1


@dataclass(frozen=True, slots=True)
class TellingStep:
    """One step as the page says it."""

    title: str
    words: str


def telling_readings(flow: Flow) -> list[TellingStep]:
    """Those that count for something, in the order of the procedure. One query."""
    found = readings_in_force(flow.procedure) or {}
    told = ((step, found[step.key]) for step in flow.steps if step.key in found)
    return [
        TellingStep(step.title, words)
        for step, one in told
        if step.reading is not None
        and step.reading.unit == one.unit
        and one.trust >= LEAST_TOLD
        and (words := _words(one))
    ]


def _words(kept: StepDensities) -> str:
    """The middle half of the readings of the causes with most of them; empty where they are few of each."""
    enough = [(cause, readings) for cause, readings in kept.by_cause.items() if len(readings) >= FEWEST]
    often = sorted(enough, key=lambda pair: -len(pair[1]))
    unit = unit_sign(kept.unit)
    parts = []
    for cause, readings in often[:MOST_NAMED]:
        low, _, high = (limit_number(each) for each in quantiles(readings, n=4))
        span = f"{low} {unit}" if low == high else f"{low} to {high} {unit}"
        parts.append(f"{span} with {cause_words(cause)} ({len(readings)} readings)")
    return f"The middle half of readings: {'; '.join(parts)}." if parts else ""
