"""A row of the catalog's meters as the value that judges readings."""

from __future__ import annotations

import json
from decimal import Decimal
from functools import lru_cache

from shopkb.catalog.models import Meter as MeterRow
from shopkb.core.readings.meters import Accuracy, Meter
from shopkb.core.readings.units import parse_quantity


def meter_of(row: MeterRow) -> Meter:
    """The meter's ranges as values; remembered by content."""
    return _remembered(row.key, row.name, json.dumps(row.accuracies, sort_keys=True))


@lru_cache(maxsize=64)
def _remembered(key: str, name: str, accuracies: str) -> Meter:
    return Meter(
        key=key,
        name=name,
        accuracies=tuple(
            Accuracy(
                quantity=part["quantity"],
                top=parse_quantity(str(part["top"])),
                percent=Decimal(str(part["percent"])),
                counts=Decimal(str(part["counts"])),
                resolution=parse_quantity(str(part["resolution"])),
            )
            for part in json.loads(accuracies)
        ),
    )
