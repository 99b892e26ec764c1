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

from shopkb.core.diagnosis.cases import CaseResult
from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.rates import Array

NOT_CURED: Final = 0.02
"""What is left of a cause that was repaired without a cure. Not 0: repairs are botched, and parts are bad when new."""

WORTH_SAYING: Final = 1.25
"""A result is given as a reason when it is this many times likelier, or less likely, under a cause than otherwise."""


FEW: Final = 20
"""Below so many results, adding them one by one is quicker than gathering them."""


LARGE: Final = 100_000
"""Above so many figures in a table, gathering each job's rows is quicker than multiplying by all of it."""


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
    """One cause that is still possible, with the results that speak most for and against it, strongest first."""

    cause: str
    name: str
    probability: float
    believed_at_first: float
    speaks_for: tuple[Reason, ...]
    speaks_against: tuple[Reason, ...]


def rows_of(model: CauseModel, results: Iterable[CaseResult]) -> list[int]:
    """Rows of the table that the results stand for: the latest of each test, skipped and unknown ones left out."""
    row_of = model.row_of
    latest = {
        (result.procedure, result.step): row_of.get((result.procedure, result.step, result.outcome))
        for result in results
        if result.outcome
    }
    return [row for row in latest.values() if row is not None]


def posterior(model: CauseModel, results: Iterable[CaseResult], not_cured: Iterable[str] = ()) -> Array:
    """P(cause) given everything recorded in all runs of a job; sums to 1. O(results x causes).

    ``results`` may come from several procedures (see :func:`cause_model.joined`); of a step done twice the latest
    counts, once. ``not_cured`` holds identities of causes that were repaired without a cure; one that the model does
    not list is left out of account. A cause with no probability at first keeps none.
    """
    rows = rows_of(model, results)
    logs = model.log_prior.copy()
    if len(rows) < FEW:
        by_row = model.log_table_by_row
        for row in rows:
            logs += by_row[row]
    else:
        logs += model.log_table.take(rows, axis=0).sum(axis=0)
    for column in _columns(model, not_cured):
        logs[column] += math.log(NOT_CURED)
    return _normalised(logs)


def posteriors(model: CauseModel, rows: Sequence[Sequence[int]]) -> Array:
    """Many posteriors at once, jobs x causes, from the rows of the table (:func:`rows_of`) that each job recorded.

    At least one job must be given.
    """
    if model.table.size > LARGE:
        logs = np.stack([model.log_table.take(list(those), axis=0).sum(axis=0) for those in rows])
    else:
        done = np.zeros((len(rows), len(model.branches)))
        for job, those in enumerate(rows):
            done[job, list(those)] = 1.0
        logs = done @ model.log_table
    logs += model.log_prior
    logs -= logs.max(axis=1, keepdims=True)
    np.exp(logs, out=logs)
    logs /= logs.sum(axis=1, keepdims=True)
    return logs


def explained(
    model: CauseModel, results: Sequence[CaseResult], not_cured: Sequence[str] = (), reasons: int = 3
) -> tuple[Possible, ...]:
    """Every cause with its probability and at most ``reasons`` reasons each way, likeliest first."""
    probabilities = posterior(model, results, not_cured)
    factors = [(row, _factors(model, model.table[row])) for row in rows_of(model, results)]
    tried = set(_columns(model, not_cured))
    possible = []
    for column in np.argsort(-probabilities, kind="stable"):
        found = [_reason(model, row, float(times[column])) for row, times in factors]
        if column in tried:
            found.append(_tried(NOT_CURED))
        strongest = sorted(found, key=lambda reason: -abs(math.log(reason.times)))
        possible.append(
            Possible(
                cause=model.causes[column],
                name=model.name(model.causes[column]),
                probability=float(probabilities[column]),
                believed_at_first=float(model.prior[column]),
                speaks_for=tuple(r for r in strongest if r.times >= WORTH_SAYING)[:reasons],
                speaks_against=tuple(r for r in strongest if r.times <= 1 / WORTH_SAYING)[:reasons],
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
    logs -= logs.max()
    np.exp(logs, out=logs)
    logs /= logs.sum()
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


def _tried(times: float) -> Reason:
    return Reason("", "", "", times, "It was repaired and the complaint stayed.")
