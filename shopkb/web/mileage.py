"""Distance a vehicle has run: stored in kilometres, typed and shown in the shop's unit."""

from __future__ import annotations

from django.conf import settings
from django.utils.formats import number_format
from django.utils.functional import lazy

KM_PER_MILE = 1.609344
"""International Yard and Pound Agreement of 1959: one mile is exactly 1,609.344 m."""


def kilometres(distance: int) -> int:
    """``distance`` in the shop's unit as whole kilometres; shown again, it is the number that was typed."""
    return round(distance * KM_PER_MILE) if settings.DISTANCE_UNIT == "miles" else distance


def in_shop_unit(km: int) -> int:
    """Whole kilometres in the shop's unit, rounded."""
    return round(km / KM_PER_MILE) if settings.DISTANCE_UNIT == "miles" else km


def _unit_text() -> str:
    return f"In {settings.DISTANCE_UNIT}."


mileage_unit = lazy(_unit_text, str)()
"""``In miles.`` or ``In km.``, as the shop's setting is when a page is made."""


def mileage_text(km: int) -> str:
    """``114,519 miles``, or ``184,300 km`` where the shop counts kilometres."""
    return f"{number_format(in_shop_unit(km), force_grouping=True)} {settings.DISTANCE_UNIT}"
