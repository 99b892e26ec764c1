"""Suggestions of what to change next: the few by which most minutes could be saved, each with its figures. Pure.

Every step, end and cause of the period is a candidate. Those are listed that chance does not explain: of all that are
ever listed at most one in ten is there by chance (false discovery rate; Y. Benjamini and Y. Hochberg, JRSS B 57, 1995).
Rates are shrunk towards those of the other candidates of their kind before minutes are computed from them, since the
highest of many rates is too high (J. Kleinman, Proportions with extraneous variance, JASA 68, 1973).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import NamedTuple

import numpy as np
from scipy.special import bdtrc

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
"""A share above this is too often; minutes that could be saved are those above it."""

BY_CHANCE = 0.05
"""False discovery rate of what stands out: of ends, cures and costly steps, and apart from them of skips and drift. Of
what is listed one in ten may be chance: where one kind has many that are true, others take the place of some."""


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


class Subject(NamedTuple):
    """What a suggestion is about, from one month to the next: ``procedure``, ``step`` and ``name`` as there."""

    kind: SuggestionKind
    procedure: str
    step: str
    name: str

    @property
    def address(self) -> str:
        """``costly-step,horn-silent,look,``: the name comes last, since it may hold a comma."""
        return ",".join((self.kind.value.replace(" ", "-"), self.procedure, self.step, self.name))

    @classmethod
    def at(cls, address: str) -> Subject:
        """What :attr:`address` was made from.

        Raises:
            ValueError: it is no address of a subject.
        """
        parts = address.split(",", 3)
        if len(parts) < 4:
            raise ValueError("A subject is a kind, a procedure, a step and a name, with commas between.")
        kind, procedure, step, name = parts
        return cls(SuggestionKind(kind.replace("-", " ")), procedure, step, name)


@dataclass(frozen=True, slots=True)
class Suggestion:
    """``spent`` are the minutes that went into it in the period, ``saved`` those of them that could be saved; ``None``
    where it cannot be told. ``procedure`` and ``step`` say where (keys), ``name`` what: a cause or symptom. ``each`` is
    what a step costs each time, in minutes."""

    kind: SuggestionKind
    spent: float | None
    saved: float | None = None
    procedure: str = ""
    procedure_title: str = ""
    step: str = ""
    title: str = ""
    name: str = ""
    part: int = 0
    whole: int = 0
    bits: float = 0.0
    each: float = 0.0

    @property
    def subject(self) -> Subject:
        return Subject(self.kind, self.procedure, self.step, self.name)

    @property
    def rank(self) -> float:
        """Minutes that could be saved, or that went into it where that cannot be told."""
        return self.saved if self.saved is not None else self.spent or 0.0


class Candidate(NamedTuple):
    """What would be suggested, and the probability that chance alone gives as much."""

    suggestion: Suggestion
    by_chance: float


def suggestions(
    steps: Sequence[StepFigures],
    procedures: Sequence[ProcedureFigures],
    comebacks: Sequence[ComebackFigures],
    not_covered: Sequence[UncoveredCause],
    unserved: Sequence[UnservedSymptom],
    drifted: Sequence[DriftedBranch],
    branches: int = 0,
) -> tuple[Suggestion, ...]:
    """Everything that stands out, the most pressing first.

    ``branches``: how many were looked through for the ``drifted`` ones.
    """
    minutes = {row.procedure: row.minutes.value for row in procedures if row.minutes}
    titles = {row.procedure: row.title for row in procedures}
    usual = sum(minutes.values()) / len(minutes) if minutes else 0.0
    left_out = [*_left_out(steps)]
    wrong = [
        *_of_steps(steps, minutes),
        *_of_procedures([row for row in procedures if not row.eliminated.too_few]),
        *_of_comebacks([row for row in comebacks if row.procedure in titles and not row.back.too_few], titles, minutes),
    ]
    fell = [_drift(row, titles, minutes) for row in drifted if row.of_late.plain is not None and _worse(row)]
    found = [
        *_discoveries(wrong),
        *_discoveries([*left_out, *fell], max(0, branches - len(drifted))),
        *(
            Suggestion(
                SuggestionKind.NO_WAY_TO_CAUSE,
                row.jobs * usual,
                procedure=row.procedure,
                procedure_title=titles.get(row.procedure, ""),
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
    ]
    return tuple(sorted(found, key=lambda one: -one.rank))


def foremost(found: Iterable[Suggestion]) -> tuple[Suggestion, ...]:
    """The first of these, at most :data:`MOST`; of one matter in one procedure only the worst, and at most
    :data:`MOST_OF_A_KIND` of one matter, so that one kind of trouble does not hide the others."""
    return tuple(_one_of_each(found))[:MOST]


def _discoveries(candidates: Sequence[Candidate], others: int = 0) -> list[Suggestion]:
    """Those that chance does not explain, among them and so many others that nothing speaks for."""
    if not candidates:
        return []
    # Here, not at the head: it takes a second of every start.
    from scipy.stats import false_discovery_control

    adjusted = false_discovery_control([*(one.by_chance for one in candidates), *[1.0] * others])
    return [one.suggestion for one, chance in zip(candidates, adjusted, strict=False) if chance <= BY_CHANCE]


def too_often(share: Share) -> float:
    """Probability that so many or more come by chance, where :data:`OFTEN` is the rate."""
    return float(bdtrc(share.part - 1, share.whole, OFTEN))


def shrunk(shares: Sequence[Share]) -> list[float]:
    """Each rate drawn towards that of all of them, the more the fewer it rests on and the more alike they are.

    Posterior means under a beta distribution whose mean and strength are estimated by moments (Kleinman 1973); one job
    of the rate :data:`OFTEN` stands beside them, so that few candidates have a mean too.
    """
    part, whole = (np.array([getattr(one, name) for one in shares], dtype=float) for name in ("part", "whole"))
    mean = (part.sum() + OFTEN) / (whole.sum() + 1)
    strength = _strength(part, whole, mean)
    return [float(rate) for rate in (part + mean * strength) / (whole + strength)]


def _strength(part: np.ndarray, whole: np.ndarray, mean: float) -> float:
    """Jobs that the common rate counts for, between 1 and 1,000."""
    known = whole > 0
    part, whole = part[known], whole[known]
    room = whole.sum() - (whole**2).sum() / max(whole.sum(), 1.0)
    if whole.size < 2 or room <= 0:
        return 10.0
    scatter = float((whole * (part / whole - mean) ** 2).sum())
    alike = mean * (1 - mean)
    correlation = (scatter - alike * (whole.size - 1)) / (alike * (room - (whole.size - 1)) or 1.0)
    return float(np.clip(1 / np.clip(correlation, 1e-3, 0.5) - 1, 1.0, 1000.0))


def _of_steps(steps: Sequence[StepFigures], minutes: dict[str, float]) -> Iterable[Candidate]:
    for step, wrong_rate in zip(steps, shrunk([step.misleads for step in steps]), strict=True):
        each, wrong = minutes.get(step.procedure, 0.0), step.misleads
        if _may_tell_nothing(step):
            spent, cost = step.minutes_in_all or 0.0, step.minutes or 0.0
            told = _at(step)(SuggestionKind.COSTLY_STEP, spent, spent, part=step.done, bits=step.bits or 0, each=cost)
            yield Candidate(told, (1 - OFTEN) ** (step.finds.whole if step.names_a_cause else step.done))
        if not wrong.too_few:
            saved = max(0.0, wrong_rate - OFTEN) * wrong.whole * each
            kind = SuggestionKind.MISLEADING_END
            yield Candidate(
                _at(step)(kind, wrong.part * each, saved, part=wrong.part, whole=wrong.whole), too_often(wrong)
            )


def _left_out(steps: Iterable[StepFigures]) -> Iterable[Candidate]:
    for step in steps:
        out = step.left_out
        if not out.too_few:
            told = _at(step)(SuggestionKind.LEFT_OUT, None, part=out.part, whole=out.whole)
            yield Candidate(told, too_often(out))


def _at(step: StepFigures) -> Callable[..., Suggestion]:
    return partial(
        Suggestion, procedure=step.procedure, procedure_title=step.procedure_title, step=step.step, title=step.title
    )


def _may_tell_nothing(step: StepFigures) -> bool:
    """It was done often enough, found nothing, and tells little besides.

    A step that can come out in one way only, that others need first or that sends some jobs elsewhere is there for
    something else than telling.
    """
    if not step.is_test or step.done < FEWEST or step.found or step.bits is None or step.bits >= LITTLE:
        return False
    return not step.needed and (Share(step.turned_away, step.done).plain or 0.0) <= OFTEN


def _of_procedures(procedures: Iterable[ProcedureFigures]) -> Iterable[Candidate]:
    for row in procedures:
        told = Suggestion(
            SuggestionKind.WEAK_PROOF, None, procedure=row.procedure, procedure_title=row.title,
            part=row.eliminated.part, whole=row.eliminated.whole,
        )  # fmt: skip
        yield Candidate(told, too_often(row.eliminated))


def _of_comebacks(
    comebacks: Sequence[ComebackFigures], titles: dict[str, str], minutes: dict[str, float]
) -> Iterable[Candidate]:
    for row, rate in zip(comebacks, shrunk([row.back for row in comebacks]), strict=True):
        each = minutes.get(row.procedure, 0.0)
        told = Suggestion(
            SuggestionKind.COMEBACK,
            row.back.part * each,
            max(0.0, rate - OFTEN) * row.back.whole * each,
            procedure=row.procedure,
            procedure_title=titles[row.procedure],
            name=row.name,
            part=row.back.part,
            whole=row.back.whole,
        )
        yield Candidate(told, too_often(row.back))


def _worse(row: DriftedBranch) -> bool:
    return (row.of_late.plain or 0.0) < (row.before.plain or 0.0)


def _drift(row: DriftedBranch, titles: dict[str, str], minutes: dict[str, float]) -> Candidate:
    """By chance: the exact test of R. Fisher (1935), that it failed no more often of late than before."""
    from scipy.stats import fisher_exact

    late, before = ((side.whole - side.part, side.part) for side in (row.of_late, row.before))
    each = minutes.get(row.procedure, 0.0)
    more = (late[0] + 0.5) / (row.of_late.whole + 1) - (before[0] + 0.5) / (row.before.whole + 1)
    told = Suggestion(
        SuggestionKind.DRIFT,
        late[0] * each,
        max(0.0, more) * row.of_late.whole * each,
        procedure=row.procedure,
        procedure_title=titles.get(row.procedure, row.procedure),
        step=row.step,
        name=row.outcome,
        part=late[0],
        whole=row.of_late.whole,
    )
    return Candidate(told, float(fisher_exact([late, before], alternative="greater").pvalue))


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
