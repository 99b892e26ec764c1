"""Meters and the accuracy of their ranges.

The accuracy of a range is stated as +-(percent of reading + counts of the last digit). Taken as equally likely
anywhere in that range it gives the standard uncertainty a / sqrt(3) (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from shopkb.core.readings.expressions import difference
from shopkb.core.readings.quantities import Quantity, ReadingError


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Accuracy of one range: +-(``percent`` of the reading + ``counts`` of ``resolution``), up to ``top``.

    Raises:
        ReadingError: the top or the resolution is of another quantity or not above 0, or a figure is negative.
    """

    quantity: str
    top: Quantity
    percent: Decimal
    counts: Decimal
    resolution: Quantity

    def __post_init__(self) -> None:
        for name, size in (("top", self.top), ("resolution", self.resolution)):
            if size.quantity != self.quantity:
                raise ReadingError(
                    f"The {name} of a {self.quantity} range cannot be {size}",
                    f"Give a {name} that is a {self.quantity}",
                )
            if size.magnitude <= 0:
                raise ReadingError(f"The {name} of a range cannot be {size}", f"Give a {name} above 0")
        if self.percent < 0 or self.counts < 0:
            raise ReadingError("An accuracy cannot be negative", "Give percent and counts of 0 or more")

    def holds(self, quantity: Quantity) -> bool:
        return quantity.quantity == self.quantity and abs(quantity.exact(self.top.unit)) <= self.top.magnitude


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter of the shop and the accuracy of each of its ranges."""

    key: str
    name: str
    accuracies: tuple[Accuracy, ...] = ()

    def accuracy_for(self, quantity: Quantity) -> Accuracy | None:
        """Accuracy of the smallest range that can show this, or None."""
        fitting = [accuracy for accuracy in self.accuracies if accuracy.holds(quantity)]
        return min(fitting, key=lambda accuracy: accuracy.top.exact(quantity.unit), default=None)


def limit_of_error(quantity: Quantity, accuracy: Accuracy) -> float:
    """Limit of error a in the unit of ``quantity``: percent of the reading plus counts of the last digit."""
    step = accuracy.resolution
    shown = abs(quantity.to(step.unit).magnitude)
    size = shown * accuracy.percent / 100 + accuracy.counts * step.magnitude
    return float(difference(Quantity(size, step.unit), quantity.unit))
