"""What pages say first after a start, worked out in the background before anybody asks: reading the latest jobs and
the tallies of every procedure takes seconds, and no page shall be the one that waits for them.

First comes what is opened first in the morning: the steps of whoever is in the middle of a run, then the figures, then
the pages of all procedures, last the sheet of the month before. Each month begins with it anew, since every count is
then weighted by its age afresh."""

from __future__ import annotations

import gc
import logging
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from threading import Thread
from time import sleep

from django.db import DatabaseError, connection
from django.db.models import Count
from django.utils import timezone

from shopkb.evidence.learned_procedure import learned_procedure, read_once
from shopkb.evidence.recent_evidence import recent_evidence
from shopkb.jobs.models import Job, Run
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.gathering.filters import Filters, month_before
from shopkb.reports.gathering.procedure_tallies import in_force
from shopkb.reports.pages import month_page as month_page
from shopkb.reports.pages import registry

NAP = 600.0
"""Seconds after which it is asked again whether a month has begun."""
log = logging.getLogger(__name__)


def work_out_ahead(first: Callable[[], None] = lambda: None) -> Thread:
    """In the background, after whatever must be there ``first``. Started by whoever serves, never by tests."""
    look_for_loops_rarely()
    thread = Thread(target=_month_by_month, args=(first,), name="figures ahead", daemon=True)
    thread.start()
    return thread


def look_for_loops_rarely() -> None:
    """Counts come by the hundred thousand and hold no loops: looking for such took a third of the time. What is there
    at the start stays."""
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


def work_out() -> Iterator[str]:
    """Everything that is remembered of the usual period, a name for each part done."""
    now = timezone.now()
    filters = Filters.of({}, timezone.localdate(now))
    for revision in _followed():
        learned_procedure(flow_of(revision), revision.checksum, month=filters.until)
        yield f"step of {revision.procedure.key}"
    for name in registry.PAGES:
        registry.page(name, filters, now)
        yield name
    month_page.build(filters, now)
    yield "month"
    for key, published in in_force(filters).items():
        read = read_once()
        learned_procedure(published.flow, published.revision.checksum, month=filters.until, read=read)
        recent_evidence(published.flow, published.revision.checksum, filters.until, read=read)
        yield key
    before = month_before(filters.until)
    month_page.build(Filters.of({"until": before}, timezone.localdate(now)), now)
    yield before


def _followed() -> list[Revision]:
    """The revisions that somebody is in the middle of following, those of most runs first. Two queries."""
    runs = Run.objects.under_way().filter(job__state=Job.State.OPEN)
    counted = runs.values("revision").annotate(runs=Count("pk")).order_by("-runs", "revision")
    keys = list(counted.values_list("revision", flat=True))
    found = Revision.objects.select_related("procedure").in_bulk(keys)
    return [found[key] for key in keys]


def months(nap: Callable[[float], None] = sleep) -> Iterator[str]:
    """The month that it is, at once; each later one soon after it has begun. Never ends."""
    told = ""
    while True:
        month = f"{timezone.localdate():%Y-%m}"
        if month == told:
            nap(NAP)
        else:
            told = month
            yield month


def _month_by_month(first: Callable[[], None]) -> None:
    in_peace(first)
    for _ in months():
        in_peace(lambda: deque(work_out(), maxlen=0))


def in_peace(work: Callable[[], object]) -> None:
    """A fault here is not worth ending for: the page that meets it will say so."""
    try:
        work()
    except Exception:
        log.exception("Figures could not be worked out ahead.")
    finally:
        with suppress(DatabaseError):
            connection.close()
