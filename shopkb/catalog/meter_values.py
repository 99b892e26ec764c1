"""Rows of the shop's meters as the values that judge readings."""

from __future__ import annotations

import json
from functools import lru_cache

from shopkb.catalog import models
from shopkb.catalog.meter_accuracy import accuracy_value
from shopkb.core.readings.accuracy import Meter


def meter_of(row: models.Meter) -> Meter:
    """The meter with the accuracy of each of its ranges; remembered by content."""
    return _meter(row.key, row.name, json.dumps(row.accuracies, sort_keys=True))


@lru_cache(maxsize=64)
def _meter(key: str, name: str, accuracies: str) -> Meter:
    return Meter(key, name, tuple(accuracy_value(part) for part in json.loads(accuracies)))
