"""Words for keys, paths and units in templates: built in, no load needed."""

from __future__ import annotations

from decimal import Decimal

from django import template

from shopkb.core.readings.units import UNITS

register = template.Library()


@register.filter
def words_of_key(key: str) -> str:
    """``bumper-off`` as ``bumper off``."""
    return key.replace("-", " ")


@register.filter
def last_part(path: str) -> str:
    """The last part of a path as words: ``cooling/fan/fan-resistor`` as ``fan resistor``."""
    return words_of_key(path.rpartition("/")[2])


@register.filter
def cause_words(identity: str) -> str:
    """``cooling/fan/fan-resistor#open circuit`` as ``fan resistor: open circuit``."""
    component, _hash, mode = identity.partition("#")
    return f"{last_part(component)}: {mode}"


@register.filter
def unit_sign(symbol: str) -> str:
    """``ohm`` as ``Ω``."""
    unit = UNITS.get(symbol)
    return unit.sign if unit else symbol


@register.filter
def plain_number(number: Decimal) -> str:
    """A stored number without trailing zeros: ``11.860000`` as ``11.86``."""
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
