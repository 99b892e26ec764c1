from __future__ import annotations

from decimal import Decimal

import pytest

from shopkb.catalog.meter_accuracy import accuracy_value
from shopkb.catalog.meter_values import meter_of
from shopkb.catalog.models import Meter
from shopkb.core.readings.accuracy import Accuracy
from shopkb.core.readings.quantities import Quantity, ReadingError

RANGE = {"quantity": "voltage", "top": "60 V", "percent": 0.1, "counts": 2, "resolution": "10 mV"}


def test_a_row_becomes_the_meter_that_judges() -> None:
    meter = meter_of(Meter(key="bench", name="Bench", accuracies=[RANGE]))
    assert (meter.key, meter.name) == ("bench", "Bench")
    assert meter.accuracies == (
        Accuracy("voltage", Quantity(Decimal(60), "V"), Decimal("0.1"), Decimal(2), Quantity(Decimal(10), "mV")),
    )


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            {"colour": "red"},
            "A range is not complete. It needs these and nothing else: quantity, top, percent, counts, resolution",
        ),
        ({"percent": -1}, "-1 cannot be the percent. Give a number from 0 up, such as 0.5"),
        ({"counts": "nan"}, "'nan' cannot be the counts. Give a number from 0 up, such as 0.5"),
    ],
)
def test_a_faulty_range(change: dict[str, object], sentence: str) -> None:
    with pytest.raises(ReadingError) as fault:
        accuracy_value({**RANGE, **change})
    assert str(fault.value) == sentence


def test_units_must_fit_the_quantity() -> None:
    with pytest.raises(ReadingError):
        accuracy_value({**RANGE, "top": "60 A"})
