"""Months as they stand in an address."""

from __future__ import annotations

from datetime import datetime

from django.utils import timezone


def first_moment(month: str) -> datetime:
    """``2026-03`` as the beginning of its first day, by the shop's clock."""
    return timezone.make_aware(datetime(int(month[:4]), int(month[5:]), 1))  # noqa: DTZ001  (made aware here)
