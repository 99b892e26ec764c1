"""Sums of money as pages and papers write them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from shopkb.reports.presenting.money import money_words
from shopkb.web.money import money_text


@pytest.mark.parametrize(
    ("currency", "price", "figure"),
    [("£", "£1,028.50", "−£1,028"), ("kr", "1,028.50 kr", "−1,028 kr"), ("US$", "1,028.50 US$", "−1,028 US$")],
)
def test_a_sign_stands_before_the_number_and_letters_behind_it(
    settings: Any, currency: str, price: str, figure: str
) -> None:
    settings.CURRENCY = currency
    assert money_text(Decimal("1028.5")) == price
    assert money_words(-1028.4) == figure


@pytest.mark.parametrize(("amount", "shown"), [("28.7475", "£28.75"), ("0.005", "£0.01"), ("2.6749", "£2.67")])
def test_a_sum_is_rounded_not_cut_off(settings: Any, amount: str, shown: str) -> None:
    assert money_text(Decimal(amount)) == shown


def test_pounds_unless_the_shop_says_otherwise(settings: Any) -> None:
    assert settings.CURRENCY == "£"
