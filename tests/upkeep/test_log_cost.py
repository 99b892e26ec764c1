"""What the event log adds to an answer: two statements, however long the job has been going on."""

from __future__ import annotations

import uuid

from django.db import connection
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import User
from shopkb.jobs.actions import following
from shopkb.jobs.models import Run
from shopkb.procedures.models import Procedure
from tests import builders
from tests.conftest import NOW


def statements(run: Run, step: str, outcome: str, typed: str, by: User) -> list[str]:
    answer = following.Answer(step, uuid.uuid4(), outcome, typed=typed)
    with CaptureQueriesContext(connection) as asked:
        following.record(run, answer, by=by, at=NOW)
    return [query["sql"] for query in asked if not query["sql"].startswith(("SAVEPOINT", "RELEASE"))]


def test_two_statements_a_row_at_any_length(horn: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    statements(run, "press", "click", "", junior)
    first = statements(run, "supply", "full", "12.4", junior)
    for _ in range(5):
        builders.follow(run, [("supply", "full", "12.4")], junior)
    later = statements(run, "supply", "full", "12.4", junior)
    assert [sum("jobs_event" in sql for sql in told) for told in (first, later)] == [2, 2]
    assert len(later) == len(first) <= 12
