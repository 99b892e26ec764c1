"""Money in the shop's own currency and rate."""

from __future__ import annotations

from django.conf import settings
from django.utils.formats import number_format

from shopkb.web.money import with_currency


def money_of_minutes(minutes: float) -> float:
    """What so many minutes cost at the shop's hourly rate."""
    return minutes / 60 * float(settings.HOURLY_RATE)


def money_words(amount: float) -> str:
    """``£1,240``: whole units, grouped as the locale does."""
    sign = "−" if amount <= -0.5 else ""
    return sign + with_currency(number_format(abs(round(amount)), 0, force_grouping=True))
