"""The closed jobs that figures of a period rest on. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from shopkb.jobs.job_facts import JobFact


@dataclass(frozen=True, slots=True)
class Latest:
    """Closed jobs that were read one by one: the latest ``jobs`` of the ``in_period``, closed ``since`` (ISO 8601;
    empty of no jobs)."""

    jobs: int
    in_period: int
    since: str = ""

    @property
    def is_all(self) -> bool:
        return self.jobs >= self.in_period


@dataclass(frozen=True, slots=True)
class Facts:
    """The jobs read, newest first, and how many closed jobs the period holds."""

    jobs: tuple[JobFact, ...]
    in_period: int

    @property
    def since(self) -> datetime | None:
        """When the oldest job that was read was closed, if the period holds more than were read."""
        return self.jobs[-1].closed_at if self.in_period > len(self.jobs) else None

    @property
    def after(self) -> str:
        """The same for an address (ISO 8601); empty if every job of the period was read."""
        return self.since.isoformat() if self.since else ""

    @property
    def latest(self) -> Latest:
        """The same for the head of a column and for a file."""
        return Latest(len(self.jobs), self.in_period, self.jobs[-1].closed_at.isoformat() if self.jobs else "")

    @property
    def words(self) -> str:
        """What the figures rest on, in one sentence."""
        if self.in_period > len(self.jobs):
            return f"Rests on the latest {len(self.jobs):,} of the {self.in_period:,} jobs closed in this period."
        return "Rests on every job closed in this period."
