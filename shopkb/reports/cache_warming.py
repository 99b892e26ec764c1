"""Fill the caches in the background after a start, so that no page waits for the latest jobs and the tallies of every
procedure to be read, which takes seconds.

In the order in which pages are opened in the morning: the steps of runs under way, the figures, the pages of all
procedures, the sheet of the month before. It is done again at the beginning of each month, as every count then gets
another weight by its age."""

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
from shopkb.procedures.hand_overs import behind
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.gathering.filters import Filters, month_before
from shopkb.reports.gathering.procedure_tallies import in_force
from shopkb.reports.pages import month_page as month_page
from shopkb.reports.pages import registry

PAUSE = 600.0
"""Seconds between two looks at whether a month has begun."""
log = logging.getLogger(__name__)


def warm_in_background(first: Callable[[], None] = lambda: None) -> Thread:
    """Start the thread that fills the caches; it calls ``first`` before. Called by the commands that serve."""
    collect_garbage_rarely()
    thread = Thread(target=_month_by_month, args=(first,), name="figures ahead", daemon=True)
    thread.start()
    return thread


def collect_garbage_rarely() -> None:
    """Run the cyclic garbage collector less often. Tallies come by the hundred thousand and hold no reference cycles;
    looking for cycles took a third of the time of filling the caches."""
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


def warm_caches() -> Iterator[str]:
    """Fill every cache for the usual period; yields the name of each part when it is done."""
    now = timezone.now()
    filters = Filters.of({}, timezone.localdate(now))
    for revision in _followed():
        flow = flow_of(revision)
        learned_procedure(flow, revision.checksum, behind=behind(flow), month=filters.until)
        yield f"step of {revision.procedure.key}"
    for name in registry.PAGES:
        registry.page(name, filters, now)
        yield name
    month_page.build(filters, now)
    yield "month"
    for key, published in in_force(filters).items():
        read = read_once()
        flow, checksum = published.flow, published.revision.checksum
        learned_procedure(flow, checksum, behind=behind(flow), month=filters.until, read=read)
        recent_evidence(flow, checksum, filters.until, read=read)
        yield key
    before = month_before(filters.until)
    month_page.build(Filters.of({"until": before}, timezone.localdate(now)), now)
    yield before


def _followed() -> list[Revision]:
    """Revisions of runs under way on open jobs, those with most runs first. Two queries."""
    runs = Run.objects.under_way().filter(job__state=Job.State.OPEN)
    counted = runs.values("revision").annotate(runs=Count("pk")).order_by("-runs", "revision")
    keys = list(counted.values_list("revision", flat=True))
    found = Revision.objects.select_related("procedure").in_bulk(keys)
    return [found[key] for key in keys]


def months(pause: Callable[[float], None] = sleep) -> Iterator[str]:
    """Yield the month that it is, then each later one soon after it has begun; never ends."""
    last = ""
    while True:
        month = f"{timezone.localdate():%Y-%m}"
        if month == last:
            pause(PAUSE)
        else:
            last = month
            yield month


def _month_by_month(first: Callable[[], None]) -> None:
    logged(first)
    for _ in months():
        logged(lambda: deque(warm_caches(), maxlen=0))


def logged(work: Callable[[], object]) -> None:
    """Do the work; an exception is logged and does not end the thread, since the page that meets it reports it too."""
    try:
        work()
    except Exception:
        log.exception("The caches could not be filled.")
    finally:
        with suppress(DatabaseError):
            connection.close()
