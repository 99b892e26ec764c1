"""When things were noted: by the clock of the device that kept them, within what can be true.

What a device says of the time is stored as it says it and never relied on. What is told of it lies after the job began
and not after the server had it; where it does not, the time of the server is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

from shopkb.jobs.event import Event

LONGEST_AWAY = timedelta(days=31)
"""A device is believed that it booked a job in so long before it was back."""


def began_at(opened_at: datetime, booking: datetime | None) -> datetime:
    """When a job began. ``booking``: when the device says that it was booked in, if it was booked in on one.

    A time that cannot be true says nothing: the job began when the server had it.
    """
    believed = booking is not None and opened_at - LONGEST_AWAY <= booking <= opened_at
    return booking if believed and booking is not None else opened_at


def noted_times(events: Iterable[Event], began: datetime) -> Iterator[tuple[tuple[str, int], datetime]]:
    """By kind of event and number of the row that it tells of, what a device kept and when it was noted there."""
    for event in events:
        if event.device_at is not None and event.record is not None:
            believed = began <= event.device_at <= event.at
            yield (event.kind, event.record), event.device_at if believed else event.at
