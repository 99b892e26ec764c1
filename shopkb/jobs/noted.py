"""When things were noted: by the clock of the device that kept them, within what can be true.

What a device says of the time is stored as it says it and never relied on. What is told of it lies after the job began
and not after the server had it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

from shopkb.jobs.event import Event

LONGEST_AWAY = timedelta(days=31)
"""A device is believed that it booked a job in so long before it was back."""


def began_at(opened_at: datetime, booking: datetime | None) -> datetime:
    """When a job began. ``booking``: when the device says that it was booked in, if it was booked in on one."""
    return opened_at if booking is None else _within(booking, opened_at - LONGEST_AWAY, opened_at)


def noted_times(events: Iterable[Event], began: datetime) -> Iterator[tuple[tuple[str, int], datetime]]:
    """By kind of event and number of the row that it tells of, what a device kept and when it was noted there."""
    for event in events:
        if event.device_at is not None and event.record is not None:
            yield (event.kind, event.record), _within(event.device_at, began, event.at)


def _within(moment: datetime, earliest: datetime, latest: datetime) -> datetime:
    return min(max(moment, earliest), latest)
