"""What a row says as text that is the same on every database, and how the events of one chain seal each other.

Each event's hash is the SHA-256 of the event and of the hash before it, so that a row cannot be changed, put in or
taken out without every later hash being wrong. The texts must never change: stored hashes are made of them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Context, Decimal
from uuid import UUID

from shopkb.jobs.event import Event

Kind = Event.Kind

FIELDS: dict[str, tuple[str, ...]] = {
    Kind.STARTED: ("job_id", "came_from_id", "started_at", "client_id"),
    Kind.VALUE: ("run_id", "key", "typed", "magnitude", "unit", "who_id", "at", "client_id"),
    Kind.LATE_VALUE: ("run_id", "key", "typed", "why", "who_id", "at", "client_id"),
    Kind.DANGER: ("run_id", "step", "caution", "statement", "shown_seconds", "who_id", "at", "client_id"),
    Kind.RESULT: (
        "run_id", "step", "outcome", "skipped", "onward", "typed", "reading", "unit", "over_limit", "meter_id",
        "proposed", "verdict", "judgement", "override_why", "off_path", "seconds", "note", "who_id", "at",
        "replaces_id", "client_id",
    ),
    Kind.RETRACTED: ("result_id", "who_id", "at", "client_id"),
    Kind.OFFERED: (
        "run_id", "giver_id", "receiver_id", "step", "reason", "off_vehicle", "excluded", "note", "at", "client_id",
    ),
    Kind.PUT_BACK: ("run_id", "part", "who_id", "at"),
    Kind.REPAIR: (
        "job_id", "result_id", "cause_id", "proof", "correction", "parts", "minutes", "also_found", "who_id", "at",
        "client_id",
    ),
    Kind.PART: ("repair_id", "words", "number", "quantity", "price"),
    Kind.AGAIN: (
        "repair_id", "step", "outcome", "typed", "reading", "unit", "over_limit", "meter_id", "proposed", "verdict",
        "judgement", "override_why", "who_id", "at", "client_id",
    ),
    Kind.FINDING: ("job_id", "result_id", "words", "who_id", "at", "client_id"),
    Kind.SETTLED: ("finding_id", "how", "words", "run_id", "repair_id", "who_id", "at", "client_id"),
    Kind.VERIFIED: ("repair_id", "cured", "how", "who_id", "at", "client_id"),
}  # fmt: skip
"""Columns that a digest covers, by kind of event. Only those that never change."""
FIELDS[Kind.TAKEN_OVER] = FIELDS[Kind.OFFERED]

PLACES = Decimal("0.000001")
_FIFTEEN = Context(prec=15)
_JSON = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class EventData:
    """An event before it has its place: what was done, by whom (number of the person), when."""

    kind: str
    who: int
    at: datetime
    record: int | None = None
    digest: str = ""
    words: str = ""
    device_at: datetime | None = None


def storable(value: Decimal) -> Decimal:
    """The number as both databases give it back: six places, and fifteen digits, which is what SQLite keeps."""
    return _FIFTEEN.create_decimal(value.quantize(PLACES)) + 0


def event_data(
    kind: str, row: object, *, who: int, at: datetime, also: Iterable[int] = (), words: str = ""
) -> EventData:
    """The event that tells of this stored row. ``also``: further causes of a repair."""
    return EventData(kind, who, at, row.pk, digest_of(kind, row, also), words)  # type: ignore[attr-defined]


def digest_of(kind: str, row: object, also: Iterable[int] = ()) -> str:
    """SHA-256 of what a row says, in hexadecimal. The row has the attributes of :data:`FIELDS`."""
    values = [_text(getattr(row, name)) for name in FIELDS[kind]]
    return _sha256([kind.replace(Kind.TAKEN_OVER, Kind.OFFERED), *values, *sorted(also)])


def event_hash(chain: tuple[int | None, int | None], number: int, before: str, data: EventData) -> str:
    """Hash of the event at this place; ``chain`` is (run, job), one of them None, ``before`` the hash before it."""
    values = (data.kind, data.record, data.digest, data.words, data.who, _text(data.at), _text(data.device_at))
    return _sha256([before, *chain, number, *values])


def chained(
    events: Sequence[EventData], *, run: int | None = None, job: int | None = None, after: tuple[int, str] = (0, "")
) -> Iterator[Event]:
    """Events not yet stored, in this order, after the (number, hash) that the chain ends with now."""
    number, before = after
    for data in events:
        number += 1
        before = event_hash((run, job), number, before, data)
        yield Event(
            run_id=run,
            job_id=job,
            number=number,
            kind=data.kind,
            record=data.record,
            digest=data.digest,
            words=data.words,
            who_id=data.who,
            at=data.at,
            device_at=data.device_at,
            hash=before,
        )


def _text(value: object) -> object:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, Decimal):
        return f"{storable(value):.6f}"
    return str(value) if isinstance(value, UUID) else value


def _sha256(values: list[object]) -> str:
    return hashlib.sha256(_JSON.encode(values).encode()).hexdigest()
