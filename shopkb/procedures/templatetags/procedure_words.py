"""Words for keys, paths and units in templates: built in, no load needed."""

from __future__ import annotations

from decimal import Decimal

from django import template

from shopkb.core.flow.names import cause_words, last_part, words_of_key
from shopkb.core.readings.units import UNITS
from shopkb.procedures.instruction_pictures import shown_pictures

register = template.Library()


for _filter in (words_of_key, last_part, cause_words, shown_pictures):
    register.filter(_filter)


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
