"""Sums of money in the shop's currency."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal

from django.conf import settings
from django.utils.formats import number_format


def money_text(amount: Decimal) -> str:
    """``£1,028.50``, or ``1,028.50 kr`` where the currency is written in letters; rounded, half a
    penny up."""
    shown = amount.quantize(Decimal("0.01"), ROUND_HALF_UP)  # by itself formatting cuts off what it does not show
    return with_currency(number_format(shown, decimal_pos=2, force_grouping=True))


def with_currency(number: str) -> str:
    """A sign stands before the number, letters stand behind it."""
    currency = str(settings.CURRENCY)
    return f"{number} {currency}" if currency[:1].isalpha() else f"{currency}{number}"


def typed_amount(text: str) -> str:
    """A sum as people type it, ``£14.50``, ``14,50`` or ``14.50 £``, without the shop's currency and blanks: ``14.50``.

    A comma before two digits at the end is a decimal comma. What is no number stays none.
    """
    bare = re.sub(re.escape(str(settings.CURRENCY)), "", text, flags=re.IGNORECASE)
    return re.sub(r",(?=\d\d$)", ".", "".join(bare.split()))
