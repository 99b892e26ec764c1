"""Suggestions of what to change next: the few with the most minutes at stake in the period, each with its figure. Pure.

A suggestion is made only where the lower end of its interval calls for it, so that chance alone does not, and ranked by
the minutes spent on it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from shopkb.reports.figures.comebacks import ComebackFigures
from shopkb.reports.figures.confirmed_causes import UncoveredCause
from shopkb.reports.figures.minutes import ProcedureFigures
from shopkb.reports.figures.shares import FEWEST, Share
from shopkb.reports.figures.shelf_health import DriftedBranch, UnservedSymptom
from shopkb.reports.figures.step_figures import StepFigures

MOST = 7
MOST_OF_A_KIND = 3
LITTLE = 0.1
"""Information gain, in bits, under which a step counts as uninformative."""

OFTEN = 0.05
"""A share whose lower end is above this happens too often to be chance."""


class SuggestionKind(StrEnum):
    """What a suggestion is about, hence where it is done."""

    COSTLY_STEP = "costly step"
    MISLEADING_END = "misleading end"
    LEFT_OUT = "step left out"
    COMEBACK = "comeback"
    WEAK_PROOF = "weak proof"
    NO_WAY_TO_CAUSE = "no way to the cause"
    NO_PROCEDURE = "no procedure"
    DRIFT = "no longer what it was"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """``minutes`` are at stake. ``procedure`` and ``step`` say where (keys), ``name`` what: a cause or symptom.
    ``each`` is what a step costs each time, in minutes."""

    kind: SuggestionKind
    minutes: float
    procedure: str = ""
    procedure_title: str = ""
    step: str = ""
    title: str = ""
    name: str = ""
    part: int = 0
    whole: int = 0
    bits: float = 0.0
    each: float = 0.0


def suggestions(
    steps: Sequence[StepFigures],
    procedures: Sequence[ProcedureFigures],
    comebacks: Sequence[ComebackFigures],
    not_covered: Sequence[UncoveredCause],
    unserved: Sequence[UnservedSymptom],
    drifted: Sequence[DriftedBranch],
) -> tuple[Suggestion, ...]:
    """The most pressing first, at most :data:`MOST`; of one matter in one procedure only the worst, and at most
    :data:`MOST_OF_A_KIND` of one matter, so that one kind of trouble does not hide the others."""
    minutes = {row.procedure: row.minutes.value for row in procedures if row.minutes}
    titles = {row.procedure: row.title for row in procedures}
    usual = sum(minutes.values()) / len(minutes) if minutes else 0.0
    found = [
        *_of_steps(steps, minutes),
        *_of_procedures(procedures),
        *(
            _comeback(row, titles, minutes)
            for row in comebacks
            if (row.back.lower or 0) > OFTEN and row.procedure in titles
        ),
        *(
            Suggestion(
                SuggestionKind.NO_WAY_TO_CAUSE,
                row.jobs * usual,
                row.procedure,
                titles.get(row.procedure, ""),
                name=row.cause,
                part=row.jobs,
            )
            for row in not_covered
            if row.jobs >= FEWEST
        ),
        *(
            Suggestion(SuggestionKind.NO_PROCEDURE, row.jobs * usual, name=row.symptom, title=row.name, part=row.jobs)
            for row in unserved
            if row.jobs >= FEWEST
        ),
        *(_drift(row, titles, minutes) for row in drifted if row.of_late.plain is not None and _worse(row)),
    ]
    return tuple(_one_of_each(sorted(found, key=lambda one: -one.minutes)))[:MOST]


def _of_steps(steps: Iterable[StepFigures], minutes: dict[str, float]) -> Iterable[Suggestion]:
    for step in steps:
        where = (step.procedure, step.procedure_title, step.step, step.title)
        each = minutes.get(step.procedure, 0.0)
        if _tells_nothing(step):
            spent, cost = step.minutes_in_all or 0.0, step.minutes or 0.0
            yield Suggestion(
                SuggestionKind.COSTLY_STEP, spent, *where, part=step.done, bits=step.bits or 0.0, each=cost
            )
        if (step.misleads.lower or 0.0) > OFTEN:
            wrong = step.misleads
            yield Suggestion(
                SuggestionKind.MISLEADING_END, wrong.part * each, *where, part=wrong.part, whole=wrong.whole
            )
        if (step.left_out.lower or 0.0) > OFTEN:
            out = step.left_out
            yield Suggestion(
                SuggestionKind.LEFT_OUT, out.part * (step.minutes or 0.0), *where, part=out.part, whole=out.whole
            )


def _tells_nothing(step: StepFigures) -> bool:
    """It was done often enough, found nothing, and where it could have, hardly ever will; and it tells little besides.

    A step that can come out in one way only, that others need first or that sends some jobs elsewhere is there for
    something else than telling.
    """
    if not step.is_test or step.done < FEWEST or step.found or step.bits is None or step.bits >= LITTLE:
        return False
    if step.needed or (Share(step.turned_away, step.done).plain or 0.0) > OFTEN:
        return False
    return not step.names_a_cause or (step.finds.upper is not None and step.finds.upper < OFTEN)


def _of_procedures(procedures: Iterable[ProcedureFigures]) -> Iterable[Suggestion]:
    for row in procedures:
        if (row.eliminated.lower or 0.0) > OFTEN:
            at_stake = row.eliminated.part * (row.minutes.value if row.minutes else 0.0)
            yield Suggestion(
                SuggestionKind.WEAK_PROOF, at_stake, row.procedure, row.title,
                part=row.eliminated.part, whole=row.eliminated.whole,
            )  # fmt: skip


def _comeback(row: ComebackFigures, titles: dict[str, str], minutes: dict[str, float]) -> Suggestion:
    at_stake = row.back.part * minutes.get(row.procedure, 0.0)
    title = titles[row.procedure]
    return Suggestion(
        SuggestionKind.COMEBACK, at_stake, row.procedure, title, name=row.name, part=row.back.part, whole=row.back.whole
    )


def _worse(row: DriftedBranch) -> bool:
    return (row.of_late.plain or 0.0) < (row.before.plain or 0.0)


def _drift(row: DriftedBranch, titles: dict[str, str], minutes: dict[str, float]) -> Suggestion:
    failed = row.of_late.whole - row.of_late.part
    at_stake = failed * minutes.get(row.procedure, 0.0)
    title = titles.get(row.procedure, row.procedure)
    return Suggestion(
        SuggestionKind.DRIFT,
        at_stake,
        row.procedure,
        title,
        row.step,
        name=row.outcome,
        part=failed,
        whole=row.of_late.whole,
    )


_BY_NAME = (SuggestionKind.NO_WAY_TO_CAUSE,)


def _one_of_each(found: Iterable[Suggestion]) -> Iterable[Suggestion]:
    met: set[tuple[str, str, str]] = set()
    kinds: Counter[SuggestionKind] = Counter()
    for one in found:
        kind = (one.kind.value, one.procedure, one.name if one.kind in _BY_NAME or not one.procedure else "")
        if kind not in met and kinds[one.kind] < MOST_OF_A_KIND:
            met.add(kind)
            kinds[one.kind] += 1
            yield one
