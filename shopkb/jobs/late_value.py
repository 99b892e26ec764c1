"""Rows of values that came too late to count."""

from __future__ import annotations

from django.db import models

from shopkb.jobs.idempotence import SignedRecord


class LateValue(SignedRecord):
    """A value asked once, as it was typed by somebody who had lost the run meanwhile. Kept and shown, never used."""

    run = models.ForeignKey("jobs.Run", on_delete=models.PROTECT, related_name="late_values")
    key = models.CharField(max_length=60)
    typed = models.CharField(max_length=60)
    why = models.CharField(max_length=300, help_text="What came before it.")

    def __str__(self) -> str:
        return f"{self.key} = {self.typed}"
