"""Shares, spreads and means against scipy, numpy and a published interval."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from shopkb.reports.figures.shares import Mean, Share, quartiles
from tests.examples import examples


def test_a_share_has_the_jeffreys_interval() -> None:
    """Brown, Cai and DasGupta 2001: equal-tailed quantiles of Beta(x + 1/2, n - x + 1/2); scipy as the oracle."""
    share = Share(21, 41)
    assert share.interval(0.8) == pytest.approx(stats.beta(21.5, 20.5).interval(0.8))
    assert share.lower == pytest.approx(stats.beta(21.5, 20.5).ppf(0.1))
    assert share.upper == pytest.approx(stats.beta(21.5, 20.5).ppf(0.9))


def test_under_five_jobs_a_share_is_not_ranked() -> None:
    assert (Share(4, 4).too_few, Share(4, 4).lower) == (True, None)
    assert Share(5, 5).lower == pytest.approx(stats.beta(5.5, 0.5).ppf(0.1))
    assert Share(0, 0).plain is None and Share(0, 0).interval() is None


def test_a_part_is_not_more_than_its_whole() -> None:
    with pytest.raises(ValueError, match=r"^A part lies between 0 and its whole; got 5 of 4\.$"):
        Share(5, 4)


@given(st.lists(st.integers(1, 5000), min_size=1, max_size=60))
@settings(max_examples=examples(60))
def test_quartiles_are_those_of_numpy(seconds: list[int]) -> None:
    found = quartiles(Counter(seconds))
    assert found is not None and found.n == len(seconds)
    expected = np.quantile(np.array(seconds) / 60, [0.25, 0.5, 0.75])
    assert (found.low, found.median, found.high) == pytest.approx(tuple(expected))


@given(st.lists(st.integers(1, 500), min_size=2, max_size=40))
@settings(max_examples=examples(60))
def test_a_mean_has_students_interval(minutes: list[int]) -> None:
    found = Mean.of_sums(len(minutes), sum(minutes), sum(m * m for m in minutes))
    assert found is not None and found.value == pytest.approx(np.mean(minutes))
    sem = stats.sem(minutes)
    if sem > 1e-6:
        expected = stats.t(len(minutes) - 1, np.mean(minutes), sem).interval(0.8)
        assert found.interval(0.8) == pytest.approx(expected, abs=1e-6)


def test_nothing_has_no_mean_and_no_spread() -> None:
    assert Mean.of_sums(0, 0, 0) is None
    assert quartiles({}) is None
