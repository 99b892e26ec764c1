"""What is worked out ahead is what the pages then find remembered."""

from __future__ import annotations

import gc
import logging
from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.evidence.cache import clear_all
from shopkb.evidence.models import QualityRecord
from shopkb.jobs.measuring import measure_quality
from shopkb.procedures.models import Procedure
from shopkb.reports import cache_warming
from shopkb.reports.gathering.filters import Filters, month_before
from shopkb.reports.pages import registry
from tests.builders import cured_job, start, take_in


def test_what_is_opened_first_is_worked_out_first(horn: Procedure, junior: User) -> None:
    """A run that somebody is in the middle of, the figures, then every procedure, with one reading of its tallies."""
    cured_job(horn, junior)
    start(take_in(junior), horn, junior)
    clear_all()
    with CaptureQueriesContext(connection) as queries:
        done = list(cache_warming.warm_caches())
    assert done[:-1] == ["step of horn-silent", *registry.PAGES, "month", "horn-control", "horn-silent"]
    assert done[-1] == month_before(f"{timezone.localdate():%Y-%m}")
    whole = [sql for sql in (one["sql"] for one in queries) if "seconds_squared" in sql and "SUM(" not in sql]
    assert len(whole) == 3  # the step, then each procedure once for its insight and what is told lately


def test_who_serves_looks_for_loops_rarely(monkeypatch: pytest.MonkeyPatch) -> None:
    """From Python's own thresholds, since the tests run with rarer searches; restored afterwards."""
    held = gc.get_threshold()
    monkeypatch.setattr(cache_warming.Thread, "start", lambda _self: None)
    gc.unfreeze()
    gc.set_threshold(700, 10, 10)
    try:
        cache_warming.warm_in_background()
        assert gc.isenabled() and gc.get_threshold()[0] > 10 * 700 and gc.get_freeze_count() > 0
    finally:
        gc.set_threshold(*held)


def test_each_month_begins_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    days = [date(2026, 11, 30), date(2026, 11, 30), date(2026, 12, 1), date(2026, 12, 1), date(2027, 1, 1)]
    naps: list[float] = []
    monkeypatch.setattr(cache_warming.timezone, "localdate", lambda: days[len(naps)])
    months = cache_warming.months(naps.append)
    assert [next(months) for _ in range(3)] == ["2026-11", "2026-12", "2027-01"]
    assert naps == [cache_warming.PAUSE] * 4


def test_pages_find_what_was_worked_out_ahead(horn: Procedure, junior: User) -> None:
    cured_job(horn, junior)
    assert {"horn-silent", *registry.PAGES} <= set(cache_warming.warm_caches())
    now = timezone.now()
    with CaptureQueriesContext(connection) as queries:
        registry.page("tests", Filters.of({}, timezone.localdate(now)), now)
    assert not [one for one in queries if 'FROM "evidence_tally"' in one["sql"] or "jobs_result" in one["sql"]]


@pytest.mark.django_db(transaction=True)
def test_a_fault_ahead_is_told_and_ends_nothing(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fault() -> None:
        raise RuntimeError("no such table")

    with caplog.at_level(logging.ERROR):
        cache_warming.logged(fault)
    assert "The caches could not be filled." in caplog.text


def test_measuring_from_a_month_on_leaves_earlier_months(horn: Procedure, junior: User) -> None:
    """Every job here was closed in March 2026."""
    cured_job(horn, junior)
    now = timezone.now()
    assert [(row.procedure, row.months) for row in measure_quality(at=now) if row.months] == [("horn-silent", 1)]
    assert [row.months for row in measure_quality(at=now, since="2026-04")] == [0, 0]
    assert list(QualityRecord.objects.values_list("month", flat=True)) == ["2026-03"]
