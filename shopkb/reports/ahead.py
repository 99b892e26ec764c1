"""What pages say first after a start, worked out in the background before anybody asks: reading the latest jobs and
the tallies of every procedure takes seconds, and no page shall be the one that waits for them."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import suppress
from threading import Thread

from django.db import DatabaseError, connection
from django.utils import timezone

from shopkb.evidence.insight import insight
from shopkb.evidence.lately import lately
from shopkb.reports import registry
from shopkb.reports.filters import Filters
from shopkb.reports.gathering import in_force
from shopkb.reports.pages import month as month_page

log = logging.getLogger(__name__)


def work_out_ahead(first: Callable[[], None] = lambda: None) -> Thread:
    """In the background, after whatever must be there ``first``. Started by whoever serves, never by tests."""
    thread = Thread(target=_in_peace, args=(first,), name="figures ahead", daemon=True)
    thread.start()
    return thread


def work_out() -> Iterator[str]:
    """Everything that is remembered of the usual period, a name for each part done."""
    now = timezone.now()
    filters = Filters.of({}, timezone.localdate(now))
    for key, held in in_force(filters).items():
        insight(held.flow, held.revision.checksum, month=filters.until)
        lately(held.flow, held.revision.checksum, filters.until)
        yield key
    for name in registry.PAGES:
        registry.page(name, filters, now)
        yield name
    month_page.build(filters, now)


def _in_peace(first: Callable[[], None]) -> None:
    """A fault here is not worth ending for: the page that meets it will say so."""
    try:
        first()
        for _ in work_out():
            pass
    except Exception:
        log.exception("Figures could not be worked out ahead.")
    finally:
        with suppress(DatabaseError):
            connection.close()
