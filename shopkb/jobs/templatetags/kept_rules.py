"""What scripts of a device have to know of a page, as JSON in its attributes: ``{% load kept_rules %}``."""

from __future__ import annotations

import json

from django import template

from shopkb.core.flow.model import AskedValue
from shopkb.core.readings.plausible import LEAST
from shopkb.core.readings.quantities import format_quantity
from shopkb.core.readings.units import UNITS
from shopkb.jobs import kept_limits

register = template.Library()


@register.filter
def as_json(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))


@register.filter
def spellings(quantity: str) -> str:
    """How the units of a quantity may be typed."""
    return as_json(kept_limits.spellings(quantity))


@register.filter
def asked_rules(value: AskedValue) -> str:
    """What an answer to an asked value may be."""
    low, high = value.low or LEAST.get(UNITS[value.unit].quantity), value.high
    return as_json(
        {
            "unit": value.unit,
            "spellings": kept_limits.spellings(UNITS[value.unit].quantity),
            "low": float(low.exact(value.unit)) if low is not None else None,
            "high": float(high.exact(value.unit)) if high is not None else None,
            "least": format_quantity(low) if low is not None else "",
            "most": format_quantity(high) if high is not None else "",
        }
    )
