"""What a circuit says before any job: it takes most of the place of the flow's own word, for its causes alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shopkb.core.diagnosis.belief.from_circuit import DOUBT, with_circuit
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.flow.circuits.predicted import outcome_shares, predictions
from tests.core.flow.circuits.test_predicted import HORN

CAUSES = [cause.identity for cause in HORN.causes]
BASE = np.full((3, len(CAUSES)), 1 / 3)


def test_most_of_the_base_is_what_falls_in_each_band() -> None:
    found = with_circuit(HORN, "supply", CAUSES, BASE)
    assert found.sum(axis=0) == pytest.approx(np.ones(len(CAUSES)))
    for place, cause in enumerate(HORN.causes):
        shares = outcome_shares(predictions(HORN), HORN.step_by_key["supply"], cause.key)
        assert found[:, place] == pytest.approx((1 - DOUBT) * shares + DOUBT / 3)


def test_what_the_circuit_does_not_tell_stays_as_it_was() -> None:
    bare = replace(HORN, circuit=None)
    assert (with_circuit(bare, "supply", CAUSES, BASE) == BASE).all()
    first = replace(HORN.causes[0], fault=None)
    found = with_circuit(replace(HORN, causes=(first, *HORN.causes[1:])), "supply", CAUSES, BASE)
    assert (found[:, 0] == BASE[:, 0]).all()
    assert (found[:, 1] != BASE[:, 1]).any()


def test_a_model_without_jobs_believes_the_circuit() -> None:
    """An open horn never takes the supply away: the flow alone allows for that more often than the circuit does."""
    model = learn(count(HORN, {}, as_of="2026-01"))
    bare = learn(count(replace(HORN, circuit=None), {}, as_of="2026-01"))
    row, column = model.row_of["horn-circuit", "supply", "none"], model.column_of["body/horn/horn#open circuit"]
    assert model.table[row, column] < bare.table[row, column] / 3
