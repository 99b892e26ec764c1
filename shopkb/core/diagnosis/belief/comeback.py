"""What is believed at first of a job that came back: the earlier job tells what was put right and what was measured.

Either the cause that was put right is at fault again (the repair was botched, the new part is bad, what killed it is
still there), or something else is. Where it is something else, it was either there already when the first job was
closed, and then that job's results speak of it, or it is new, and then they do not. What results are worth is left as
it is: only what they start from changes (Bayes' rule; each mixture is a hypothesis with its probability).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.rates.intervals import Array

SAME_AGAIN: Final = 0.25
"""How often a comeback has the cause again that was put right, before any has told. Our choice."""
WORTH_OF_IT: Final = 4.0
"""Comebacks that :data:`SAME_AGAIN` counts as. Our choice."""
STILL_THERE: Final = 0.5
"""How often another cause was there already when the first job was closed. Our choice: neither is known to be likelier,
and a first job cannot tell them apart."""


@dataclass(frozen=True, slots=True)
class ComebackEvidence:
    """What an earlier job tells about one that came back.

    ``repaired`` is the identity of the cause that it was closed as cured of; of the shop's comebacks ``same`` had the
    same cause again and ``other`` another one.
    """

    repaired: str
    results: tuple[CaseResult, ...]
    same: int = 0
    other: int = 0

    @property
    def again(self) -> float:
        """Probability that it is the same cause again: the mean of a beta distribution."""
        return (self.same + SAME_AGAIN * WORTH_OF_IT) / (self.same + self.other + WORTH_OF_IT)


def after_comeback(model: CauseModel, earlier: ComebackEvidence, today: Sequence[CaseResult]) -> CauseModel:
    """The model with what is believed at first after the earlier job. O(results x causes).

    ``today``: results of the new job. A step of which it has one tells nothing from the earlier job any more: two
    readings of the same test are no two witnesses.
    """
    again = model.column_of.get(earlier.repaired)
    done = {(row.procedure, row.step) for row in today if row.outcome}
    held = [row for row in earlier.results if (row.procedure, row.step) not in done]
    then = posterior(model, held, (earlier.repaired,))
    rest: Array = STILL_THERE * _without(then, again) + (1 - STILL_THERE) * _without(model.prior, again)
    if again is not None and rest.sum() > 0:
        prior = (1 - earlier.again) * rest
        prior[again] = earlier.again
    else:
        prior = rest if again is None else model.prior
    weights = model.prior_weights
    return replace(model, prior=prior, prior_weights=None if weights is None else prior * float(weights.sum()))


def _without(belief: Array, column: int | None) -> Array:
    """The belief once this cause is not the one; nothing where it alone was possible."""
    left = np.array(belief, dtype=float)
    if column is not None:
        left[column] = 0.0
    total = float(left.sum())
    return left / total if total > 0 else left
