"""Columns of a reading and what it was judged to be, for every row that holds one."""

from __future__ import annotations

from django.db import models

from shopkb.catalog.models import Meter
from shopkb.core.readings.bands import limit_number
from shopkb.jobs.idempotence import SignedRecord
from shopkb.procedures.templatetags.procedure_words import plain_number


class Judged(SignedRecord):
    """A row with the answer to a step: its outcome, and the reading as typed, in the unit of the step, and judged."""

    step = models.CharField(max_length=60)
    outcome = models.CharField(max_length=60, blank=True)
    typed = models.CharField(max_length=60, blank=True)
    reading = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    unit = models.CharField(max_length=10, blank=True)
    over_limit = models.BooleanField(default=False)
    meter = models.ForeignKey(Meter, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    proposed = models.CharField(max_length=60, blank=True, help_text="The outcome the reading gave.")
    verdict = models.CharField(max_length=20, blank=True)
    judgement = models.CharField(max_length=300, blank=True)
    override_why = models.CharField(max_length=200, blank=True)

    class Meta(SignedRecord.Meta):
        abstract = True

    @property
    def figures(self) -> str:
        """The reading as text without trailing zeros; empty without one.

        Every figure that was typed; of a reading typed in another unit four significant figures, more only before the
        decimal point.
        """
        if self.reading is None:
            return ""
        text = plain_number(self.reading)
        if text.lstrip("-0") in self.typed.replace(",", "."):
            return text
        number = float(self.reading)
        return limit_number(round(number) if abs(number) >= 1000 else number)
