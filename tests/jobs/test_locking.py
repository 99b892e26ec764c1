"""The lock under which answers are stored."""

from __future__ import annotations

from threading import Thread
from time import monotonic, sleep

from django.db import connection, connections, transaction
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import User
from shopkb.jobs.actions.following import lock_run
from shopkb.jobs.models import Job, Run
from shopkb.procedures.models import Procedure
from tests import builders
from tests.conftest import NOW


def test_the_job_is_locked_before_the_run(transactional_db: None, horn: Procedure, junior: User) -> None:
    """As closing locks them. On PostgreSQL: while the job is locked by another, whoever waits for it holds no run.

    SQLite has one lock for all that is written; there it is one query.
    """
    run = builders.start(builders.take_in(junior, at=NOW), horn, junior, at=NOW)
    if connection.vendor == "sqlite":
        with transaction.atomic(), CaptureQueriesContext(connection) as captured:
            assert lock_run(run) == run
        assert len(captured) == 1
        return
    found: list[Run] = []

    def wait_for_it() -> None:
        with transaction.atomic():
            found.append(lock_run(run))
        connections.close_all()

    with transaction.atomic():
        Job.objects.select_for_update().get(pk=run.job_id)
        waiting = Thread(target=wait_for_it)
        waiting.start()
        wait_until_one_waits()
        assert Run.objects.select_for_update(nowait=True).get(pk=run.pk) == run
        Job.objects.filter(pk=run.job_id).update(complaint="It went on meanwhile")
    waiting.join()
    assert [each.job.complaint for each in found] == ["It went on meanwhile"]


def wait_until_one_waits() -> None:
    end = monotonic() + 30
    with connection.cursor() as cursor:
        while monotonic() < end:
            cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
            if cursor.fetchone()[0]:
                return
            sleep(0.02)
    raise AssertionError("Nobody waited for the job's lock.")
