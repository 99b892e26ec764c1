"""What was recorded at the vehicle, and the words it was followed under, stay as they were recorded: the database
itself refuses to change or delete them.

Triggers on both databases; on PostgreSQL TRUNCATE is refused too. The only way past them is :func:`opened`, for
emptying a database that is to be thrown away and for the bulk door, which links a row to one stored a moment before.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper

TABLES = (
    "jobs_result",
    "jobs_retraction",
    "jobs_runvalue",
    "jobs_latevalue",
    "jobs_dangerpassed",
    "jobs_repair",
    "jobs_repair_also",
    "jobs_repairpart",
    "jobs_measuredagain",
    "jobs_finding",
    "jobs_settlement",
    "jobs_verification",
    "jobs_event",
    "catalog_wording",
    "accounts_auditrecord",
    "reports_suggestiondecision",
)
SWITCH = "jobs_records_open"
"""A table that is empty but inside :func:`opened`, whose transaction alone sees its row."""


@contextmanager
def opened(alias: str = "default") -> Iterator[None]:
    """Let records be changed in this transaction. Nobody else's is affected, and it ends with the block."""
    with transaction.atomic(using=alias), connections[alias].cursor() as cursor:
        cursor.execute(f"INSERT INTO {SWITCH} (open) VALUES (1)")  # noqa: S608 - our own name
        yield
        cursor.execute(f"DELETE FROM {SWITCH}")  # noqa: S608


def install(connection: BaseDatabaseWrapper) -> None:
    """Make the switch and the triggers, where they are missing. A table that a migration made anew has lost its own."""
    with connection.cursor() as cursor:
        there = set(connection.introspection.table_names(cursor))
        cursor.execute(f"CREATE TABLE IF NOT EXISTS {SWITCH} (open integer NOT NULL)")
        if connection.vendor == "postgresql":
            cursor.execute(_FUNCTION)
        for table in TABLES:
            if table in there:
                for statement in _triggers(connection.vendor, table):
                    cursor.execute(statement)


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take switch and triggers away, for a migration that goes back."""
    with connection.cursor() as cursor:
        for name, table in sorted(expected(connection)):
            on = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")
        cursor.execute(f"DROP TABLE IF EXISTS {SWITCH}")


def expected(connection: BaseDatabaseWrapper) -> set[tuple[str, str]]:
    """Names of the triggers that should be there, each with its table."""
    kinds = ("update", "delete", "truncate") if connection.vendor == "postgresql" else ("update", "delete")
    return {(f"{table}_refuses_{kind}", table) for table in TABLES for kind in kinds}


def installed(connection: BaseDatabaseWrapper) -> set[tuple[str, str]]:
    """The triggers that are there and in force."""
    asked = "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'"
    if connection.vendor == "postgresql":
        asked = "SELECT tgname, tgrelid::regclass::text FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'"
    with connection.cursor() as cursor:
        cursor.execute(asked)
        return {(name, table) for name, table in cursor.fetchall()}


def left_open(connection: BaseDatabaseWrapper) -> bool:
    """Whether somebody put a row into the switch for good."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {SWITCH}")  # noqa: S608 - our own name
        return bool(cursor.fetchone()[0])


_FUNCTION = f"""
CREATE OR REPLACE FUNCTION jobs_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF NOT EXISTS (SELECT 1 FROM {SWITCH}) THEN
    RAISE EXCEPTION 'Records of jobs are never changed or deleted: %', TG_TABLE_NAME
      USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  IF TG_OP = 'DELETE' THEN RETURN OLD; END IF;
  RETURN NEW;
END $$
"""  # noqa: S608


def _triggers(vendor: str, table: str) -> Iterator[str]:
    for kind in ("update", "delete"):
        name = f"{table}_refuses_{kind}"
        if vendor == "postgresql":
            yield f"DROP TRIGGER IF EXISTS {name} ON {table}"
            yield (
                f"CREATE TRIGGER {name} BEFORE {kind.upper()} ON {table} FOR EACH ROW EXECUTE FUNCTION jobs_refuse()"
            )
        else:
            yield (
                f"CREATE TRIGGER IF NOT EXISTS {name} BEFORE {kind.upper()} ON {table} "  # noqa: S608
                f"WHEN NOT EXISTS (SELECT 1 FROM {SWITCH}) "
                f"BEGIN SELECT RAISE(ABORT, 'Records of jobs are never changed or deleted: {table}'); END"
            )
    if vendor == "postgresql":
        yield f"DROP TRIGGER IF EXISTS {table}_refuses_truncate ON {table}"
        yield (
            f"CREATE TRIGGER {table}_refuses_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION jobs_refuse()"
        )
