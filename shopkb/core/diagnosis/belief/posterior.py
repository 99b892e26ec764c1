"""What is still possible on a job, how likely, and why: Bayes' rule for one fault over everything recorded.

The choice of tests does no harm as long as it rests on what is recorded (D. Rubin, Inference and missing data,
Biometrika 63, 1976): it cancels. A skipped test leaves its factor out, which is the sum over its outcomes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.rates.intervals import Array

NOT_CURED: Final = 0.02
"""How often a repair of the true cause does not cure: repairs are botched, and parts are bad when new. Our choice."""

SECOND_FAULT: Final = 0.03
"""How often a true cause, put right, leaves the complaint because something else is at fault as well; that share of a
cause repaired without a cure goes to ``other``. Our choice."""

MOST_LEFT: Final = 0.05
"""What all causes repaired without a cure keep together at most, however strongly the readings spoke for them: a
complaint that stayed is better evidence than any reading before it. Our choice."""

LEAST_PRODUCT: Final = 1e-200
"""Probabilities are multiplied as they are; where less is left of all of them together, their logarithms are added."""

WORTH_SAYING: Final = 1.25
"""A result is given as a reason when it is this many times likelier, or less likely, under a cause than otherwise."""


@dataclass(frozen=True, slots=True)
class Reason:
    """One result, or a repair without a cure, and what it says about one cause.

    ``times`` is P(result | this cause) / P(result | the other causes, as believed at first): a Bayes factor (I. Good,
    Probability and the Weighing of Evidence, 1950). Above 1 it speaks for the cause, below 1 against it. ``step`` is
    empty for a repair.
    """

    procedure: str
    step: str
    outcome: str
    times: float
    words: str


@dataclass(frozen=True, slots=True)
class Possible:
    """One cause that is still possible, with the results that speak most for and against it, strongest first.

    ``repaired`` says that its correction was made without a cure: what is left is the chance that the repair failed.
    """

    cause: str
    name: str
    probability: float
    believed_at_first: float
    speaks_for: tuple[Reason, ...]
    speaks_against: tuple[Reason, ...]
    repaired: bool = False


def rows_of(model: CauseModel, results: Iterable[CaseResult]) -> list[int]:
    """Rows of the table that the results stand for: the latest of each test, skipped and unknown ones left out."""
    kept = results if isinstance(results, (list, tuple)) else list(results)
    rows_by_procedure = model.rows_by_procedure
    try:
        rows = [rows_by_procedure[result.procedure][result.step][result.outcome] for result in kept]
        if len({result.step for result in kept}) == len(rows):
            return rows
    except KeyError:
        pass  # something skipped, or of a step that is not there: the longer way
    row_of = model.row_of
    latest = {
        (result.procedure, result.step): row_of.get((result.procedure, result.step, result.outcome))
        for result in kept
        if result.outcome
    }
    return [row for row in latest.values() if row is not None]


def posterior(model: CauseModel, results: Iterable[CaseResult], not_cured: Iterable[str] = ()) -> Array:
    """P(cause) given everything recorded in all runs of a job; sums to 1. O(results x causes).

    ``results`` may come from several procedures (see :func:`cause_model.joined`); of a step done twice the latest
    counts, once. ``not_cured`` holds identities of causes that were repaired without a cure; one that the model does
    not list is left out of account, and a cause with the same correction of the same component was repaired with it. A
    cause with no probability at first keeps none.
    """
    belief = _of_results(model, rows_of(model, results))
    stray = model.recalibration.stray
    if stray > 0:
        belief *= 1 - stray
        belief += stray * model.prior
    if not_cured and (tried := repaired(model, not_cured)):
        logs = np.log(belief, out=np.full(belief.size, -math.inf), where=belief > 0)
        _take_back(logs, tried, model.column_of.get(OTHER))
        return _normalised(logs)
    return belief


def _of_results(model: CauseModel, rows: list[int]) -> Array:
    """By these rows of the table, as sharp as recalibrated."""
    rows.append(-1)
    belief: Array = np.multiply.reduce(model.factors.take(rows, axis=0))
    total = np.add.reduce(belief)
    if total > LEAST_PRODUCT:
        belief /= total
        return belief
    logs = model.log_prior + model.recalibration.sharpness * model.log_table.take(rows[:-1], axis=0).sum(axis=0)
    return _normalised(logs)


def repaired(model: CauseModel, not_cured: Iterable[str]) -> list[int]:
    """Columns of the causes whose correction was made without a cure, those that share one with them included."""
    named = set(_columns(model, not_cured))
    for repair in model.repairs if named else ():
        if named.intersection(repair.causes):
            named.update(repair.causes)
    return sorted(named)


def _take_back(logs: Array, tried: Sequence[int], other: int | None) -> None:
    """What a complaint that stayed says, on weights in logs.

    Of each cause put right :data:`NOT_CURED` is left, and :data:`SECOND_FAULT` of it goes to ``other``; all of them
    together keep no more than :data:`MOST_LEFT`, as long as anything else is possible.
    """
    mask = np.zeros(logs.size, dtype=bool)
    mask[tried] = True
    if other is not None and not mask[other] and logs[other] > -math.inf:
        logs[other] = np.logaddexp(logs[other], np.logaddexp.reduce(logs[mask]) + math.log(SECOND_FAULT))
    logs[mask] += math.log(NOT_CURED)
    left, rest = np.logaddexp.reduce(logs[mask]), np.logaddexp.reduce(logs[~mask])
    most = rest + math.log(MOST_LEFT / (1 - MOST_LEFT))
    if left > most > -math.inf:
        logs[mask] -= left - most


def explained(
    model: CauseModel, results: Sequence[CaseResult], not_cured: Sequence[str] = (), reasons: int = 3
) -> tuple[Possible, ...]:
    """Every cause with its probability and at most ``reasons`` reasons each way, likeliest first."""
    probabilities = posterior(model, results, not_cured)
    factors = [(row, _factors(model, model.table[row])) for row in rows_of(model, results)]
    named, tried = set(_columns(model, not_cured)), set(repaired(model, not_cured))
    possible = []
    for column in np.argsort(-probabilities, kind="stable"):
        found = [_reason(model, row, float(times[column])) for row, times in factors]
        if column in tried:
            found.append(_stayed("It was repaired" if column in named else "Its correction was made"))
        strongest = sorted(found, key=lambda reason: -abs(math.log(reason.times)))
        possible.append(
            Possible(
                cause=model.causes[column],
                name=model.name(model.causes[column]),
                probability=float(probabilities[column]),
                believed_at_first=float(model.prior[column]),
                speaks_for=tuple(r for r in strongest if r.times >= WORTH_SAYING)[:reasons],
                speaks_against=tuple(r for r in strongest if r.times <= 1 / WORTH_SAYING)[:reasons],
                repaired=int(column) in tried,
            )
        )
    return tuple(possible)


def how_many(times: float) -> str:
    """A Bayes factor as people say it: "4 times likelier", "20 times less likely"."""
    factor = times if times >= 1 else 1 / times
    plain = f"{factor:.0f}" if factor >= 3.5 else f"{factor:.1f}"
    return f"{plain} times {'likelier' if times >= 1 else 'less likely'}"


def _columns(model: CauseModel, not_cured: Iterable[str]) -> list[int]:
    known = (model.column_of.get(identity) for identity in dict.fromkeys(not_cured))
    return [column for column in known if column is not None]


def _normalised(logs: Array) -> Array:
    logs -= np.maximum.reduce(logs)
    np.exp(logs, out=logs)
    logs /= np.add.reduce(logs)
    return logs


def _factors(model: CauseModel, likelihoods: Array) -> Array:
    """P(result | cause) over P(result | not the cause), by cause; kept within 1e-6 and 1e6."""
    prior = model.prior
    rest = float(likelihoods @ prior) - likelihoods * prior
    against = rest / np.maximum(1 - prior, 1e-12)
    factors: Array = np.clip(likelihoods / np.maximum(against, 1e-12), 1e-6, 1e6)
    return factors


def _reason(model: CauseModel, row: int, times: float) -> Reason:
    branch = model.branches[row]
    what = f"{branch.title or branch.step}: {branch.label or branch.outcome}"
    words = f"{what} \N{EN DASH} {how_many(times)} with this cause than with the others."
    return Reason(branch.procedure, branch.step, branch.outcome, times, words)


def _stayed(what: str) -> Reason:
    return Reason("", "", "", NOT_CURED, f"{what} and the complaint stayed.")
