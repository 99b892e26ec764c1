"""What the circuit of a procedure says of the outcomes of a step before any job: the share of its tolerances, and of
what a meter errs by, that falls in the band of each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.circuits.predicted import outcome_shares, predictions
from shopkb.core.flow.model import Flow

DOUBT: Final = 0.15
"""Share of the base that stays what the flow itself says: a circuit may be drawn wrongly, and readings be taken
elsewhere. It counts for as many jobs as any base, so closed jobs overtake both."""


def with_circuit(flow: Flow, step: str, causes: Sequence[str], base: Array) -> Array:
    """``base``, outcomes x causes (identities), with what the circuit says in place of most of it where it does."""
    predicted = predictions(flow)
    if step not in predicted.rows:
        return base
    found = base.copy()
    column = {identity: number for number, identity in enumerate(causes)}
    for cause in flow.causes:
        shares = outcome_shares(predicted, flow.step_by_key[step], cause.key)
        if len(shares) == len(base) and cause.identity in column:
            place = column[cause.identity]
            found[:, place] = (1 - DOUBT) * shares + DOUBT * base[:, place] / np.maximum(base[:, place].sum(), 1e-12)
    return found
