"""Forgetting by half-life. Values: the constructed example of weighted counts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.diagnosis.counting.ageing import age_weight, month_number
from tests.core.diagnosis.published import example

EXAMPLE = example("dirichlet-smoothing")
months = st.tuples(st.integers(1990, 2090), st.integers(1, 12)).map(lambda ym: f"{ym[0]:04d}-{ym[1]:02d}")


def month_before(as_of: str, age: int) -> str:
    year, month = divmod(month_number(as_of) - age, 12)
    return f"{year:04d}-{month + 1:02d}"


def test_weighted_count_of_the_worked_example() -> None:
    half_life = EXAMPLE["inputs"]["half_life"]
    total = sum(
        age_weight(month_before("2026-11", tally["age_months"]), "2026-11", half_life["months"]) * tally["n"]
        for tally in half_life["tallies"]
    )
    assert total == pytest.approx(EXAMPLE["expected"]["weighted_count"], abs=EXAMPLE["tolerance"])


@given(month=months, as_of=months, half_life=st.floats(1, 120))
def test_weights_lie_in_0_to_1_and_halve(month: str, as_of: str, half_life: float) -> None:
    weight = age_weight(month, as_of, half_life)
    assert 0 <= weight <= 1
    assert age_weight(month, as_of, half_life * 2) == pytest.approx(weight**0.5)
    assert age_weight(month, as_of, None) == 1


def test_later_months_count_in_full() -> None:
    assert age_weight("2027-01", "2026-11", 12) == 1


@pytest.mark.parametrize("month", ["2026", "2026-13", "2026-1", "11-2026", ""])
def test_a_month_that_is_none_is_refused(month: str) -> None:
    with pytest.raises(ValueError) as caught:
        age_weight(month, "2026-11", 12)
    assert str(caught.value) == f"A month is written as in 2026-03; got {month!r}."


@pytest.mark.parametrize("half_life", [0.0, -3.0])
def test_a_half_life_that_is_none_is_refused(half_life: float) -> None:
    with pytest.raises(ValueError) as caught:
        age_weight("2026-10", "2026-11", half_life)
    assert str(caught.value) == f"A half-life is a number of months above 0; got {half_life:g}."
