"""What chance lists. Oracles: the definition of the false discovery rate, scipy's beta-binomial distribution."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betabinom

from shopkb.reports.figures.shares import Share
from shopkb.reports.figures.shelf_health import DriftedBranch
from shopkb.reports.figures.step_figures import StepFigures
from shopkb.reports.figures.suggestions import OFTEN, SuggestionKind, shrunk, suggestions, too_often

STEPS = 200


def shop(rng: np.random.Generator, wrong: np.ndarray, left_out: float = OFTEN) -> list[StepFigures]:
    """Steps of a shop whose ends are wrong at these rates; each led to few ends or to many."""
    found = []
    for number, rate in enumerate(wrong):
        ends, due = int(rng.integers(5, 200)), int(rng.integers(5, 300))
        away, skipped = int(rng.binomial(ends, rate)), int(rng.binomial(due, left_out))
        found.append(
            StepFigures(
                f"procedure-{number % 20}", "Title", f"step-{number}", number, "Step", done=due - skipped,
                proven=due - skipped, found=ends - away, found_on_way=ends - away, led_away=away, names_a_cause=True,
                skipped={"not-safe": skipped}, timed=due, minutes=6.0, bits=0.5,
            )
        )  # fmt: skip
    return found


def test_where_nothing_differs_one_page_in_ten_at_most_lists_anything() -> None:
    """Two hundred steps of which every rate is exactly what is still usual: 400 candidates a page."""
    rng = np.random.default_rng(5)
    pages = [suggestions(shop(rng, np.full(STEPS, OFTEN)), (), (), (), (), ()) for _ in range(150)]
    assert sum(bool(page) for page in pages) <= 150 * 0.1 + 3 * (150 * 0.1 * 0.9) ** 0.5


def test_what_is_bad_is_listed_and_little_else() -> None:
    """Ten of two hundred ends are wrong three times in ten; of all that is listed at most one in ten is another."""
    rng = np.random.default_rng(6)
    listed: Counter[bool] = Counter()
    for _ in range(60):
        wrong = np.where(np.arange(STEPS) < 10, 0.3, OFTEN)
        for one in suggestions(shop(rng, wrong), (), (), (), (), ()):
            listed[one.kind is SuggestionKind.MISLEADING_END and int(one.step.removeprefix("step-")) < 10] += 1
    assert listed[True] > 120, "three of a kind are listed on a page"
    assert listed[False] <= 0.1 * listed.total()


@pytest.mark.parametrize("strength", [3.0, 12.0, 60.0])
def test_a_rate_drawn_towards_the_others_is_nearer_to_the_truth(strength: float) -> None:
    rng = np.random.default_rng(7)
    true = rng.beta(0.1 * strength, 0.9 * strength, 300)
    whole = rng.integers(3, 60, 300)
    part = rng.binomial(whole, true)
    drawn = np.array(shrunk([Share(int(k), int(n)) for k, n in zip(part, whole, strict=True)]))
    assert ((drawn - true) ** 2).mean() < 0.9 * ((part / whole - true) ** 2).mean()
    exact = betabinom(whole, 0.1 * strength, 0.9 * strength)
    assert exact.mean() == pytest.approx(0.1 * whole)
    best = (part + 0.1 * strength) / (whole + strength)
    assert np.abs(drawn - best).mean() < 0.012
    highest = int((part / whole).argmax())
    assert drawn[highest] < part[highest] / whole[highest]


@given(st.lists(st.integers(0, 50).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), max_size=30))
def test_drawn_rates_are_rates_whatever_was_counted(counts: list[tuple[int, int]]) -> None:
    shares = [Share(part, whole) for part, whole in counts]
    assert all(0 < rate < 1 for rate in shrunk(shares))
    assert all(0 <= too_often(share) <= 1 for share in shares)


def test_a_branch_that_fell_counts_among_all_that_were_looked_through() -> None:
    fell = DriftedBranch("horn", "press", "click", Share(58, 60), Share(8, 20), 3.0)
    (one,) = suggestions((), (), (), (), (), [fell], 100)
    assert (one.kind, one.part, one.whole) == (SuggestionKind.DRIFT, 12, 20)
    assert suggestions((), (), (), (), (), [fell], 10_000_000) == ()
