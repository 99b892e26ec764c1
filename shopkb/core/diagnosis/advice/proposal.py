"""Is the next action really quicker than what is written? Only then is it proposed.

What is known of causes, tests and minutes is uncertain: much so in a fresh shop, where only the writer has spoken. Both
actions are therefore weighed under draws of everything uncertain, the same draws for both (Dirichlet, Dirichlet,
normal). What is done after them is planned as in :mod:`.lookahead`, by what is believed on average.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shopkb.core.diagnosis.advice.job_states import JobStates
from shopkb.core.diagnosis.advice.lookahead import Lookahead
from shopkb.core.diagnosis.advice.next_action import Advice, RepairOption, TestOption, repair_words
from shopkb.core.diagnosis.advice.repairs import USUAL_PRICES, Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import FLOOR
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.rates.intervals import Array

DRAWS: Final = 100
SEED: Final = 20

SURE: Final = 0.9
"""The least chance that an action saves time over the written next step for it to be proposed."""

LEAST_SAVED: Final = 1.0
"""The least minutes that it saves on average."""


@dataclass(frozen=True, slots=True)
class ActionProposal:
    """An action in place of what is written: the minutes to the cure that it saves on average over the draws, and the
    chance that it saves any."""

    action: TestOption | RepairOption
    saves: float
    chance: float


def propose(
    model: CauseModel,
    results: Sequence[CaseResult],
    not_cured: Sequence[str],
    advice: Advice,
    written: tuple[str, str],
    *,
    prices: Prices = USUAL_PRICES,
    allowed: Collection[tuple[str, str]] | None = None,
) -> ActionProposal | None:
    """What ``advice`` (of the same job, from :func:`next_action.advise`) puts before the step ``written`` (procedure,
    step); ``None`` where it is that step, or where it is not surely quicker.

    A model without weights to draw from is taken as certain. The same job gives the same answer.
    """
    step = next((option for option in advice.tests if (option.procedure, option.step) == written), None)
    if prices.prove_first and advice.repair is not None and not advice.repair.proven:
        return None  # as long as something is written to be tested, nothing unproven is fitted
    return _quicker(model, results, not_cured, advice, step, prices, allowed)


def kept_to_proof(
    model: CauseModel,
    results: Sequence[CaseResult],
    not_cured: Sequence[str],
    advice: Advice,
    proven: frozenset[str],
    *,
    prices: Prices = USUAL_PRICES,
    allowed: Collection[tuple[str, str]] | None = None,
) -> Advice:
    """The same advice, or the repair of a cause that ended the written way (identities in ``proven``), unless what is
    advised is surely quicker than that repair."""
    written = next((one for one in advice.repairs if one.proven and not proven.isdisjoint(one.causes)), None)
    if written is None or advice.repair == written:
        return advice
    if _quicker(model, results, not_cured, advice, written, prices, allowed) is not None:
        return advice
    return replace(advice, test=None, repair=written, words=repair_words(written, prices, worth_testing=True))


def _quicker(
    model: CauseModel,
    results: Sequence[CaseResult],
    not_cured: Sequence[str],
    advice: Advice,
    written: TestOption | RepairOption | None,
    prices: Prices,
    allowed: Collection[tuple[str, str]] | None,
) -> ActionProposal | None:
    action = advice.test or advice.repair
    if action is None or written is None or written.expected - action.expected < LEAST_SAVED:
        return None
    at = Lookahead.of(model, results, not_cured, prices, allowed, None)
    draws = Draws(at, posterior(model, results), np.random.default_rng(SEED))
    saved = draws.of(written) - draws.of(action)
    chance, mean = float(np.mean(saved > 0)), float(saved.mean())
    return ActionProposal(action, mean, chance) if chance >= SURE and mean >= LEAST_SAVED else None


class Draws:
    """Expected minutes to the cure of actions that may come next, by draw of everything that is uncertain."""

    def __init__(self, at: Lookahead, without_repairs: Array, random: np.random.Generator, number: int = DRAWS) -> None:
        """``without_repairs`` is the posterior from the results alone."""
        self.at, self.model, self.random = at, at.model, random
        self.certain = self.model.prior_weights is None or self.model.table_weights is None
        self.number = 1 if self.certain else number
        logs = self._log_priors()
        for row in at.recorded:
            test = self.model.tests[self.model.test_of_row[row]]
            logs += self.model.recalibration.sharpness * np.log(self._table(test.start, test.stop)[:, row - test.start])
        # Repairs without a cure weigh on each cause as they do on average.
        factors = np.divide(at.considered, without_repairs, out=np.zeros_like(at.weights), where=without_repairs > 0)
        believed = np.exp(logs - logs.max(axis=1, keepdims=True))
        believed /= believed.sum(axis=1, keepdims=True)
        stray = self.model.recalibration.stray
        weights = ((1 - stray) * believed + stray * self.model.prior) * factors
        self.weights: Array = weights / weights.sum(axis=1, keepdims=True)

    def of(self, action: TestOption | RepairOption) -> Array:
        if isinstance(action, TestOption):
            return self._of_test(self.model.test_of[action.procedure, action.step])
        return self._of_repair(action)

    def _of_test(self, place: int) -> Array:
        test = self.model.tests[place]
        after, _ = self.at.after(self.at.current, np.array([place]))
        table = self._table(test.start, test.stop)
        states = self._spread(after, (self.weights[:, None, :] * table).reshape(-1, self.weights.shape[1]))
        rest = self.at.best_remaining(states).reshape(self.number, -1).sum(axis=1)
        error = 0.0 if self.certain else (test.variance / test.timed) ** 0.5
        scatter = self.random.normal(0.0, 1.0, self.number) * error
        return np.asarray(rest + np.maximum(test.minutes + scatter, 0.0) + self.at.setup(test.access))

    def _of_repair(self, action: RepairOption) -> Array:
        columns = [self.model.column_of[cause] for cause in action.causes]
        left = self.weights.copy()
        left[:, columns] = 0.0
        current = self.at.current
        rest = self.at.best_remaining(self._spread(current, left))
        return np.asarray(rest + action.minutes + action.setup)

    def _spread(self, states: JobStates, weights: Array) -> JobStates:
        """The states once for every draw, with these weights."""
        rows = np.tile(np.arange(len(states.weights)), self.number)
        return states.at(rows)._replace(weights=weights)

    def _log_priors(self) -> Array:
        if self.certain:
            return self.model.log_prior[None, :].copy()
        gammas = self.random.standard_gamma(np.asarray(self.model.prior_weights), (self.number, self.model.prior.size))
        return np.log(np.maximum(gammas, 1e-12))

    def _table(self, start: int, stop: int) -> Array:
        """Draws x outcomes x causes: the likelihoods of one test."""
        if self.certain:
            return np.maximum(self.model.table[None, start:stop], 1e-12)
        weights = np.asarray(self.model.table_weights)[start:stop]
        gammas = np.maximum(self.random.standard_gamma(weights, (self.number, *weights.shape)), 1e-12)
        table = gammas / gammas.sum(axis=1, keepdims=True)
        table = np.maximum(table, FLOOR * table.max(axis=2, keepdims=True))
        return np.asarray(table / table.sum(axis=1, keepdims=True))
