"""What causes that come and go say of the outcomes of a step before any job: they show in some tries only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Cause, Flow, Step
from shopkb.core.flow.paths import causes_reachable
from shopkb.core.flow.trials import counted, share_shown, shown_at_all


def with_trials(flow: Flow, step: str, causes: Sequence[str], base: Array) -> Array:
    """``base``, outcomes x causes (identities), with the columns of causes that do not show in every try.

    A step whose reading counts tries gives the binomial share of each band. At any other the cause is found as ``base``
    has it in the share of vehicles in which it shows at all, and in the others the outcomes that lead away from it come
    as they do for the other causes.
    """
    some = [cause for cause in flow.causes if share_shown(cause) < 1 and cause.identity in causes]
    if not some:
        return base
    found, place = base.copy(), {identity: number for number, identity in enumerate(causes)}
    for cause in some:
        column = _column(flow, flow.step_by_key[step], cause, base, place[cause.identity])
        if column is not None:
            found[:, place[cause.identity]] = column
    return found


def _column(flow: Flow, step: Step, cause: Cause, base: Array, place: int) -> Array | None:
    leads = np.array([cause.key in causes_reachable(flow, step.key, one.key) for one in step.outcomes])
    if leads.all() or not leads.any():
        return None
    shares = counted(step, cause)
    if len(shares):
        return shares
    own, usual = base[:, place] * leads, np.delete(base, place, axis=1).mean(axis=1) * ~leads
    if not own.sum() or not usual.sum():
        return None
    shown = shown_at_all(step, cause)
    return np.asarray(shown * own / own.sum() + (1 - shown) * usual / usual.sum())
