"""Past jobs as values: what an older record, or a simulator, says of jobs that are over.

People, platforms, symptoms, causes and meters are named as the shop names them (log-in, path, key, identity), so that
one shop's past can be told to another. :mod:`shopkb.demo.job_import` stores these values.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from shopkb.core.flow.model import Proof


@dataclass(frozen=True, slots=True)
class PastResult:
    """One step done (``outcome``) or left out (``skipped``, with the outcome assumed for the way ``onward``).

    ``typed`` is the reading as it was entered, ``meter`` the key of the meter used.
    """

    step: str
    at: datetime
    who: str
    outcome: str = ""
    skipped: str = ""
    onward: str = ""
    typed: str = ""
    meter: str = ""
    override_why: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class PastValue:
    """A value that was asked once a run."""

    key: str
    typed: str
    at: datetime
    who: str


@dataclass(frozen=True, slots=True)
class PastDanger:
    """The state of things that a DANGER asks for was confirmed before a step; ``caution`` is its key."""

    step: str
    caution: str
    shown_seconds: int
    at: datetime
    who: str


@dataclass(frozen=True, slots=True)
class PastRun:
    """A procedure that was followed; results in the order they were recorded, replaced ones included.

    ``stopped_why`` is needed when it was left before its end; ``came_from`` is the place in the job of the run that
    handed over to this one. What a run took off counts as put back by whoever closed
    the job, at its closing.
    """

    procedure: str
    holder: str
    started_at: datetime
    results: tuple[PastResult, ...] = ()
    values: tuple[PastValue, ...] = ()
    dangers: tuple[PastDanger, ...] = ()
    stopped_why: str = ""
    came_from: int | None = None


@dataclass(frozen=True, slots=True)
class PastRepair:
    """A repair. ``cause`` and ``also`` are identities (``component#mode``); ``found_at`` is the place of the run in the
    job and of the result in the run that named the cause; ``cured`` is ``cured``, ``not-cured`` or ``not-checked``."""

    cause: str
    proof: Proof
    correction: str
    at: datetime
    who: str
    cured: str
    verified_at: datetime
    how: str = ""
    found_at: tuple[int, int] | None = None
    parts: str = ""
    minutes: int | None = None
    also_found: str = ""
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PastJob:
    """A closed job. ``comeback_of`` is the client id of the earlier job; ``odometer`` is in km."""

    client_id: UUID
    registration: str
    platform: str
    complaint: str
    opened_at: datetime
    opened_by: str
    closed_at: datetime
    closed_by: str
    disposition: str
    vin: str = ""
    year: int | None = None
    circumstances: str = ""
    symptom: str = ""
    codes: tuple[str, ...] = ()
    odometer: int | None = None
    complaint_verified: str = "not-yet"
    closing_note: str = ""
    comeback_of: UUID | None = None
    runs: tuple[PastRun, ...] = ()
    repairs: tuple[PastRepair, ...] = ()

    @property
    def name(self) -> str:
        """How messages name it."""
        return f"The past job of {self.registration}, opened {self.opened_at:%Y-%m-%d %H:%M}"
