"""Belief and advice are quick beside bare numpy: generous limits, as other work goes on beside the tests.

``python -m tests.benchmarks`` has the goals.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from shopkb.core.diagnosis.advice import lookahead
from shopkb.core.diagnosis.advice.lookahead import Lookahead
from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.information import information_gain
from shopkb.core.diagnosis.belief.posterior import posterior, rows_of
from tests.benchmarks.bench_diagnosis import SIZES, bare_gain, bare_posterior, made, recorded
from tests.benchmarks.bench_diagnosis_advice import furnished
from tests.benchmarks.rows import side_by_side


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    """Processor time counts threads that only wait for each other, too."""
    with threadpool_limits(1):
        yield


@pytest.mark.parametrize(("causes", "tests", "done"), SIZES[:2])
def test_beside_bare_numpy(causes: int, tests: int, done: int) -> None:
    rng = np.random.default_rng(causes)
    model = made(rng, causes, tests)
    jobs = [recorded(rng, tests, done) for _ in range(50)]
    rows, bare = [rows_of(model, job) for job in jobs], bare_posterior(model)
    beliefs, gain = [posterior(model, job) for job in jobs], bare_gain(model)
    ours, theirs, gains, least = side_by_side(
        lambda: [posterior(model, job) for job in jobs],
        lambda: [bare(row) for row in rows],
        lambda: [information_gain(model, belief) for belief in beliefs],
        lambda: [gain(belief) for belief in beliefs],
        seconds=0.5,
    )
    assert ours < 2 * theirs
    assert gains < 2 * least


def test_two_step_advice_of_a_large_procedure() -> None:
    model = furnished(60, 100)
    (taken,) = side_by_side(lambda: advise(model, depth=2), seconds=0.5, least=5)
    assert taken < 120_000


@pytest.mark.parametrize("prove_first", [False, True])
def test_what_is_looked_at_later_is_enough(prove_first: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The best test of 60 is the same as when all are looked at in every state."""
    model, found = furnished(20, 60), []
    for breadth in (lookahead.LATER_BREADTH, 60):
        monkeypatch.setattr(lookahead, "LATER_BREADTH", breadth)
        at = Lookahead.of(model, (), (), Prices(prove_first=prove_first), None, None)
        found.append(at.cost_after_tests(2))
    few, all_of_them = found
    best = min(all_of_them, key=all_of_them.__getitem__)
    assert min(few, key=few.__getitem__) == best
    assert few[best] == pytest.approx(all_of_them[best], rel=0.01)
