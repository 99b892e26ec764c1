"""Causes that a written way has come to, and why the proof of one may be weak."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from django.urls import reverse

from shopkb.catalog.meter_values import meter_of
from shopkb.catalog.models import Meter
from shopkb.core.diagnosis.advice.next_action import TestOption
from shopkb.core.flow.model import GoKind, Proof, Step
from shopkb.core.flow.names import cause_words
from shopkb.core.readings.judgement import Verdict, judge
from shopkb.core.readings.quantities import Quantity, Reading, ReadingError
from shopkb.jobs.answering import with_computed
from shopkb.jobs.models import Repair, Result, RunValue
from shopkb.jobs.reasoning import Reasoning
from shopkb.jobs.run_state import RunState
from shopkb.web.humanize import minutes_text, percent

SURE = 0.8
"""A cause that the answers together make less likely than this is weakly proven, whatever the last of them said. Our
choice: one in five such repairs would be in vain."""

TELLS = 0.1
"""Bits that a test has to bring to be worth naming where a proof is weak. Our choice."""


@dataclass(frozen=True, slots=True)
class NamedCause:
    """A cause that the written way of a run has come to.

    ``proof`` is what the procedure says of it (empty: nothing), ``weak`` what its evidence lacks, clause by clause, and
    ``unlikely`` that all answers together speak against it (empty: they do not). The second is shown and does not count
    in learning, which would believe itself. ``repaired`` is the repair of it that did not cure, ``settles`` how the
    doubt could be settled.
    """

    result: Result
    identity: str
    proof: str
    weak: tuple[str, ...] = ()
    unlikely: str = ""
    repaired: Repair | None = None
    settles: tuple[FurtherProof, ...] = ()

    @property
    def words(self) -> str:
        return cause_words(self.identity)

    @property
    def is_weak(self) -> bool:
        return bool(self.weak or self.unlikely)

    @property
    def why_weak(self) -> str:
        return "; ".join((*self.weak, *([self.unlikely] if self.unlikely else [])))

    def weak_as(self, proof: str) -> str:
        """What a repair recorded with this ``proof`` lacks: nothing of this where it was proven another way."""
        return "; ".join(self.weak) if proof == self.proof else ""


@dataclass(frozen=True, slots=True)
class FurtherProof:
    """Something that would settle a weak proof, and its page if it has one."""

    words: str
    link: str = ""


def causes_named(states: Sequence[RunState]) -> list[NamedCause]:
    """Ends reached in these runs that name a cause, newest first.

    An answer that was replaced or superseded names nothing any more.
    """
    return [
        NamedCause(row, cause.identity, outcome.proof.value if outcome.proof else "")
        for state in sorted(states, key=lambda each: -each.run.pk)
        for row in reversed(state.effective)
        if row.outcome
        for outcome in [state.flow.step_by_key[row.step].outcome(row.outcome)]
        if outcome.go.kind is GoKind.CAUSE
        for cause in [state.flow.cause_by_key.get(outcome.go.key)]
        if cause is not None
    ]


def weighed(states: Sequence[RunState], reasoning: Reasoning | None, not_cured: Sequence[Repair]) -> list[NamedCause]:
    """The same, each with what speaks against its proof, and with the repair that did not cure.

    Two queries where a reading was taken with no meter: for the meters and for the values that limits rest on.
    """
    named = causes_named(states)
    in_vain = {repair.cause.identity: repair for repair in not_cured}
    state_of_run = {state.run.pk: state for state in states}
    without_meter = [each.result.run_id for each in named if _without_meter(each.result)]
    meters = list(Meter.objects.all()) if without_meter else []
    values = _values([state_of_run[run] for run in dict.fromkeys(without_meter)])
    return [_weighed(each, named, state_of_run, states, reasoning, in_vain, meters, values) for each in named]


def _weighed(
    named: NamedCause,
    all_named: Sequence[NamedCause],
    state_of_run: Mapping[int, RunState],
    states: Sequence[RunState],
    reasoning: Reasoning | None,
    in_vain: Mapping[str, Repair],
    meters: Sequence[Meter],
    values: Mapping[int, dict[str, Quantity]],
) -> NamedCause:
    state, chance = state_of_run[named.result.run_id], _probability(named, all_named, reasoning)
    weak = tuple(_weak(named, state, meters, values))
    unlikely = f"all answers together make it {percent(chance)} likely" if chance is not None and chance < SURE else ""
    settles = tuple(_settling(named, state, states, reasoning)) if weak or unlikely else ()
    return replace(named, weak=weak, unlikely=unlikely, repaired=in_vain.get(named.identity), settles=settles)


def _probability(named: NamedCause, all_named: Sequence[NamedCause], reasoning: Reasoning | None) -> float | None:
    """How likely the cause is if the other causes come to are left out: two proven faults may both be there."""
    if reasoning is None:
        return None
    chance = {row.cause: row.probability for row in reasoning.possible}
    if named.identity not in chance:
        return None
    others = {each.identity for each in all_named} - {named.identity}
    rest = 1.0 - sum(chance.get(identity, 0.0) for identity in others)
    return chance[named.identity] / rest if rest > 0 else None


def _weak(
    named: NamedCause,
    state: RunState,
    meters: Sequence[Meter],
    values: Mapping[int, dict[str, Quantity]],
) -> Iterator[str]:
    row = named.result
    if named.proof == Proof.ELIMINATION:
        yield "the other causes were ruled out, this one was not tested itself"
    if row.verdict == Verdict.FAR:
        yield "the reading is far from what can be expected"
    elif row.override_why:
        yield "the reading said otherwise"
    if row.verdict == Verdict.TOO_CLOSE:
        yield "the reading is nearer to the limit than the meter is sure of"
    elif _without_meter(row) and (unsure := _unsure_meter(state, row, meters, values[row.run_id])):
        yield unsure


def _without_meter(row: Result) -> bool:
    return row.verdict == Verdict.UNJUDGED and row.reading is not None and row.meter_id is None


def _values(states: Sequence[RunState]) -> dict[int, dict[str, Quantity]]:
    """What was asked on each run, and what follows from it. One query, none without runs."""
    if not states:
        return {}
    asked: defaultdict[int, dict[str, Quantity]] = defaultdict(dict)
    for row in RunValue.objects.filter(run__in=[state.run.pk for state in states]).order_by("pk"):
        asked[row.run_id][row.key] = Quantity(row.magnitude, row.unit)
    return {state.run.pk: with_computed(state.flow, asked[state.run.pk]) for state in states}


def _unsure_meter(state: RunState, row: Result, meters: Sequence[Meter], values: dict[str, Quantity]) -> str:
    """Why it matters that no meter was named; empty where even the shop's poorest would have been sure."""
    step = state.flow.step_by_key[row.step]
    judged = [verdict for meter in meters if (verdict := _judged_with(meter, step, row, values)) is not None]
    if not judged:
        return "no meter was named"
    return "no meter was named, and not every meter here would be sure of it" if Verdict.TOO_CLOSE in judged else ""


def _judged_with(meter: Meter, step: Step, row: Result, values: dict[str, Quantity]) -> Verdict | None:
    """How sure this meter would have been; ``None`` where it cannot show such a reading."""
    if step.reading is None or row.reading is None:
        return None
    bands = [(outcome.key, outcome.band) for outcome in step.outcomes if outcome.band is not None]
    reading = Reading(Quantity(row.reading, row.unit))
    try:
        verdict = judge(
            bands, reading, values, step.reading.quantity, step.reading.unit, meter_of(meter), step.reading.plausible
        ).verdict
    except ReadingError:
        return None
    return None if verdict is Verdict.UNJUDGED else verdict


def _settling(
    named: NamedCause, state: RunState, states: Sequence[RunState], reasoning: Reasoning | None
) -> Iterator[FurtherProof]:
    if named.result.verdict in (Verdict.TOO_CLOSE, Verdict.UNJUDGED) and named.result.reading is not None:
        step = state.flow.step_by_key[named.result.step]
        yield FurtherProof(
            f"Measure again with a better meter: {step.title}", reverse("jobs:step", args=[state.run.pk, step.key])
        )
    best = _cheapest(reasoning.advice.tests) if reasoning else None
    if best is not None:
        run = next((each.run for each in states if each.flow.procedure == best.procedure), None)
        link = reverse("jobs:step", args=[run.pk, best.step]) if run is not None else ""
        yield FurtherProof(f"{best.title} ({minutes_text(best.minutes + best.setup)})", link)


def _cheapest(tests: Sequence[TestOption]) -> TestOption | None:
    """The test that tells most for its minutes, if any tells enough."""
    telling = [test for test in tests if test.bits >= TELLS]
    return min(telling, key=lambda test: (test.minutes + test.setup) / test.bits, default=None)
