"""Rows of a repair: its parts, and what proved the cause measured again after it."""

from __future__ import annotations

from decimal import Decimal

from django.db import models

from shopkb.jobs.judged import Judged


class RepairPart(models.Model):
    """A part that a repair took. ``price`` is of one, in the shop's currency."""

    repair = models.ForeignKey("jobs.Repair", on_delete=models.PROTECT, related_name="part_lines")
    words = models.CharField(max_length=200)
    number = models.CharField(max_length=60, blank=True)
    quantity = models.DecimalField(max_digits=7, decimal_places=2)
    price = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(name="part_of_some_quantity", condition=models.Q(quantity__gt=0))]

    def __str__(self) -> str:
        return f"{Decimal(self.quantity).normalize():f} x {self.words}{f' ({self.number})' if self.number else ''}"

    @property
    def cost(self) -> Decimal | None:
        """Of all of them, exactly; ``None`` where the price is not known."""
        return None if self.price is None else self.quantity * self.price


class MeasuredAgain(Judged):
    """The step that proved a cause, done once more after the repair."""

    repair = models.ForeignKey("jobs.Repair", on_delete=models.PROTECT, related_name="measured_again")

    def __str__(self) -> str:
        return f"{self.step} after repair {self.repair_id}"
