"""A closed job as the figures see it: how it ended, what was answered and repaired, whether it came back. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

CURED, NOT_CURED = "cured", "not-cured"
"""Values of :class:`shopkb.jobs.models.Verification.Cured`; :data:`CURED` also of :class:`Job.Disposition`."""


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
class AnswerFact:
    """An answer that stands. ``outcome`` or ``skipped`` (the reason) is empty; ``seconds`` is ``None`` if not known.
    ``overridden``: it went against what the reading said; ``off_path``: out of the written order. ``revision`` is the
    number of the revision that was followed."""

    procedure: str
    step: str
    outcome: str
    skipped: str
    seconds: int | None
    off_path: bool
    overridden: bool
    who: str
    revision: int


@dataclass(frozen=True, slots=True)
class RepairFact:
    """``cause`` is an identity, ``cured`` the latest verdict (empty: none). ``named_at`` is the (procedure, step,
    outcome) that named the cause, ``named_by`` who recorded it; empty when no procedure did."""

    number: int
    cause: str
    proof: str
    who: str
    cured: str
    parts: str = ""
    named_at: tuple[str, str, str] | None = None
    named_by: str = ""


@dataclass(frozen=True)
class JobFact:
    """A closed job. ``procedures`` are those of which a step was answered, ``also`` the causes found together with the
    one that cured, ``answers`` in the order in which they were given."""

    number: int
    platform: str
    symptom: str
    disposition: str
    opened_at: datetime
    closed_at: datetime
    closed_by: str
    procedures: tuple[str, ...] = ()
    repairs: tuple[RepairFact, ...] = ()
    also: tuple[str, ...] = ()
    back_at: datetime | None = None
    answers: tuple[AnswerFact, ...] = ()

    @cached_property
    def claimed(self) -> RepairFact | None:
        """The repair that was said to have cured, on a job closed as cured: the last such."""
        if self.disposition != CURED:
            return None
        cured = [repair for repair in self.repairs if repair.cured == CURED]
        return max(cured, key=lambda repair: repair.number, default=None)

    @cached_property
    def confirmed(self) -> RepairFact | None:
        """The same, unless the job came back."""
        return None if self.back_at else self.claimed

    @property
    def wrong(self) -> tuple[RepairFact, ...]:
        """Repairs that were made and did not cure, or whose cure did not last."""
        return tuple(
            repair
            for repair in self.repairs
            if repair.cured == NOT_CURED or (self.back_at is not None and repair == self.claimed)
        )

    @property
    def rejected(self) -> tuple[RepairFact, ...]:
        """Repairs whose named ends were wrong, as :mod:`shopkb.jobs.closed_jobs` counts them."""
        return tuple(repair for repair in self.repairs if repair.cured == NOT_CURED or self.back_at is not None)

    @property
    def days_until_back(self) -> int | None:
        return None if self.back_at is None else max(0, (self.back_at - self.closed_at).days)


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
