"""Whatever writes to the database, it cannot change or delete what was recorded; inserting goes on."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import call_command
from django.db import DatabaseError, connection, transaction

from shopkb.accounts.models import User
from shopkb.jobs.log import append_only
from shopkb.jobs.models import Event, Job, Repair, Result, RunValue, Verification
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders

RECORDS = (Result, Repair, Verification, RunValue, Event)


@pytest.fixture
def closed(horn: Procedure, junior: User) -> Job:
    return builders.cured_job(horn, junior)


def refused(sql: str) -> str:
    with pytest.raises(DatabaseError) as error, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)
    return str(error.value).splitlines()[0]


@pytest.mark.parametrize("table", ["jobs_result", "jobs_repair", "jobs_verification", "jobs_runvalue", "jobs_event"])
@pytest.mark.parametrize("sql", ["UPDATE {table} SET id = id", "DELETE FROM {table}"])
def test_plain_sql_is_refused(closed: Job, table: str, sql: str) -> None:
    held = [list(model.objects.values_list()) for model in RECORDS]
    assert all(held)
    assert refused(sql.format(table=table)) == f"Records of jobs are never changed or deleted: {table}"
    assert [list(model.objects.values_list()) for model in RECORDS] == held


def test_truncating_is_refused(closed: Job) -> None:
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # else the test's own rows stand in the way
        said = refused("TRUNCATE jobs_verification")
    else:  # SQLite has no such statement; deleting all rows is the same thing there
        said = refused("DELETE FROM jobs_verification")
    assert said == "Records of jobs are never changed or deleted: jobs_verification"


def test_inside_the_switch_it_is_allowed_and_the_switch_closes(closed: Job) -> None:
    with append_only.opened():
        Result.objects.update(note="Said later.")
    assert refused("UPDATE jobs_result SET note = ''") == "Records of jobs are never changed or deleted: jobs_result"
    assert not append_only.left_open(connection)


def test_a_switch_left_open_and_a_lost_trigger_are_named(closed: Job) -> None:
    name, table = sorted(append_only.expected(connection))[0]
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER {name}" + (f" ON {table}" if connection.vendor == "postgresql" else ""))
        cursor.execute(f"INSERT INTO {append_only.SWITCH} (open) VALUES (1)")
    assert [(row.law, row.place, row.message) for row in broken_invariants()] == [
        ("append-only", table, f"Its trigger {name} is gone: records could be changed."),
        ("append-only", append_only.SWITCH, "It is not empty, so records can be changed. Empty it."),
    ]
    with connection.cursor() as cursor:
        cursor.execute(f"DELETE FROM {append_only.SWITCH}")
    call_command("verify", repair=True, stdout=StringIO())
    assert broken_invariants() == []


def test_migrating_puts_a_lost_trigger_back(closed: Job) -> None:
    """A migration that makes a table anew loses its triggers on SQLite."""
    lost = sorted(append_only.expected(connection))[:1]
    with connection.cursor() as cursor:
        for name, table in lost:
            cursor.execute(f"DROP TRIGGER {name}" + (f" ON {table}" if connection.vendor == "postgresql" else ""))
    assert append_only.expected(connection) - append_only.installed(connection) == set(lost)
    call_command("migrate", verbosity=0)
    assert append_only.expected(connection) - append_only.installed(connection) == set()
