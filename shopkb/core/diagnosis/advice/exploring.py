"""Now and then a test among near equals is chosen by chance, so that what is never tested does not stay unknown.

One draw of everything uncertain decides, under which each test has other minutes to the cure: a test is chosen as often
as it is likely to be the best (W. Thompson, On the likelihood that one unknown probability exceeds another in view of
the evidence of two samples, Biometrika 25, 1933). The choice rests on what is recorded and on chance alone, so that no
estimate has to be weighted for it (D. Rubin, Inference and missing data, Biometrika 63, 1976).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

import numpy as np

from shopkb.core.diagnosis.advice.lookahead import Lookahead
from shopkb.core.diagnosis.advice.next_action import Advice, TestOption
from shopkb.core.diagnosis.advice.proposal import Draws
from shopkb.core.diagnosis.advice.repairs import USUAL_PRICES, Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import CaseResult

NEAR: Final = 0.03
"""Two tests are near equals where one leads to the cure in at most this part more minutes than the other."""


def near_equals(
    advice: Advice, written: tuple[str, str], as_safe: Collection[str]
) -> tuple[TestOption, tuple[TestOption, ...]] | None:
    """The step ``written`` (procedure, step) as a test, and those of the same procedure that are as quick as it, or
    nearly; ``None`` without any.

    ``as_safe`` are the steps that are no more dangerous than it. A test that still needs a set-up of its own is none,
    nor one that neither tells anything nor proves; and once a cause is proven there are none.
    """
    step = next((option for option in advice.tests if (option.procedure, option.step) == written), None)
    if step is None or any(repair.proven for repair in advice.repairs):
        return None
    near = tuple(
        option
        for option in advice.tests
        if option.procedure == step.procedure
        and option.step != step.step
        and option.step in as_safe
        and option.setup <= 0
        and option.informs_or_proves
        and option.expected <= (1 + NEAR) * step.expected
    )
    return (step, near) if near else None


def chosen_by_chance(
    model: CauseModel,
    results: Sequence[CaseResult],
    not_cured: Sequence[str],
    equals: tuple[TestOption, Sequence[TestOption]],
    random: np.random.Generator,
    *,
    prices: Prices = USUAL_PRICES,
    allowed: Collection[tuple[str, str]] | None = None,
) -> TestOption | None:
    """The test that one draw favours among :func:`near_equals`; ``None`` where that is the written step."""
    step, near = equals
    at = Lookahead.of(model, results, not_cured, prices, allowed, None)
    draws = Draws(at, posterior(model, results), random, number=1)
    minutes = {option: float(draws.of(option)[0]) for option in (step, *near)}
    best = min(minutes, key=minutes.__getitem__)
    return None if best == step else best
