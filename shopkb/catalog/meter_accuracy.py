"""One range of a meter, from the catalog's JSON to the value that judges readings."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from shopkb.core.readings.accuracy import Accuracy
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.readings.quantities import ReadingError

PARTS = ("quantity", "top", "percent", "counts", "resolution")
"""What a range is made of: ``{quantity: voltage, top: 60 V, percent: 0.1, counts: 2, resolution: 10 mV}``."""


def accuracy_value(part: Mapping[str, Any]) -> Accuracy:
    """One range: limit of error = percent of the reading + counts of the resolution, up to top.

    Raises:
        ReadingError: a part is missing, unknown, or not what it should be.
    """
    if set(part) != set(PARTS):
        raise ReadingError("A range is not complete", f"It needs these and nothing else: {', '.join(PARTS)}")
    quantity = str(part["quantity"])
    top = parse_quantity(str(part["top"]), quantity=quantity)
    resolution = parse_quantity(str(part["resolution"]), quantity=quantity)
    return Accuracy(quantity, top, _amount(part, "percent"), _amount(part, "counts"), resolution)


def _amount(part: Mapping[str, Any], name: str) -> Decimal:
    try:
        number = Decimal(str(part[name]))
    except InvalidOperation:
        number = Decimal(-1)
    if not number.is_finite() or number < 0:
        raise ReadingError(f"{part[name]!r} cannot be the {name}", "Give a number from 0 up, such as 0.5")
    return number
