"""Rows of who read which job."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class JobReading(models.Model):
    """Somebody opened the pages of a job on this day, once or many times."""

    job = models.ForeignKey("jobs.Job", on_delete=models.PROTECT, related_name="readings")
    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    day = models.DateField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["job", "who", "day"], name="job_read_once_a_day")]

    def __str__(self) -> str:
        return f"{self.who} read {self.job} on {self.day}"
