from __future__ import annotations

from django.db import models


class DemoMark(models.Model):
    """One row in a database that holds the invented world. Without it the demo command touches nothing."""

    made_at = models.DateTimeField()
    seed = models.BigIntegerField()
    jobs = models.PositiveIntegerField()

    def __str__(self) -> str:
        return f"demo world of {self.made_at:%Y-%m-%d}"
