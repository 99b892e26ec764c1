"""Tables as text that neither database owns: one JSON line a row, so that SQLite and PostgreSQL give the same bytes.

The first line of a table names its columns, in the order of the alphabet, as the order of fields changes with versions.
Times are UTC, decimals are text, keys of JSON values are sorted.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime, time
from decimal import Decimal
from itertools import islice
from typing import Any
from uuid import UUID

from django.apps.registry import Apps
from django.core.management.color import no_style
from django.db import connections, models

BATCH = 500
AT_ONCE = 5_000
"""Rows read at once."""
AS_THEY_ARE = frozenset({str, int, bool, float, type(None)})
LEFT_OUT = ("sessions", "axes")
"""Apps whose rows only say who is signed in: they stay behind, and people sign in again."""


def no_report(_text_line: str) -> None:
    """Report nothing."""


def models_of(registry: Apps) -> list[type[models.Model]]:
    """Every table that is carried over, by name; those of many-to-many links too."""
    found = [
        model
        for model in registry.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy and model._meta.app_label not in LEFT_OUT
    ]
    return sorted(found, key=lambda model: model._meta.db_table)


_text = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode


def lines_of(model: type[models.Model], alias: str) -> Iterator[str]:
    """The table as lines of text, in the order of its key."""
    names = sorted(field.attname for field in model._meta.concrete_fields)
    yield _line(names)
    rows = model._base_manager.using(alias).order_by(model._meta.pk.attname).values_list(*names)
    for row in rows.iterator(chunk_size=AT_ONCE):
        yield _line([value if type(value) in AS_THEY_ARE else _out(value) for value in row])


def load(model: type[models.Model], lines: Iterable[str], alias: str) -> int:
    """Store the lines of :func:`lines_of` in the empty table; the number of rows."""
    coming = iter(lines)
    names = json.loads(next(coming))
    if connections[alias].vendor == "postgresql":
        return _copy_rows(model, names, (json.loads(line) for line in coming), alias)
    fields = {field.attname: field for field in model._meta.concrete_fields}
    rows = (
        model(**{name: fields[name].to_python(value) for name, value in zip(names, json.loads(line), strict=True)})
        for line in coming
    )
    count = 0
    table: models.QuerySet[Any] = models.QuerySet(model, using=alias)
    while batch := list(islice(rows, BATCH)):
        table.bulk_create(batch)
        count += len(batch)
    return count


def _copy_rows(model: type[models.Model], names: list[str], rows: Iterable[list[Any]], alias: str) -> int:
    """The same by PostgreSQL's COPY, which reads each text as what its column holds."""
    fields = {field.attname: field for field in model._meta.concrete_fields}
    quoted = connections[alias].ops.quote_name
    columns = ", ".join(quoted(str(fields[name].column)) for name in names)
    as_json = [index for index, name in enumerate(names) if isinstance(fields[name], models.JSONField)]
    count = 0
    with (
        connections[alias].cursor() as cursor,
        cursor.copy(f"COPY {quoted(model._meta.db_table)} ({columns}) FROM STDIN") as copying,
    ):
        for row in rows:
            for index in as_json:
                row[index] = None if row[index] is None else _text(row[index])
            copying.write_row(row)
            count += 1
    return count


def digests(registry: Apps, alias: str, report: Callable[[str], None] = no_report) -> dict[str, str]:
    """SHA-256 of each table's text; ``report`` hears of each table."""
    found = {}
    for model in models_of(registry):
        digest = hashlib.sha256()
        for line in lines_of(model, alias):
            digest.update(line.encode())
        found[model._meta.db_table] = digest.hexdigest()
        report(f"checked {model._meta.db_table}")
    return found


def go_on_counting(registry: Apps, alias: str) -> None:
    """Set each PostgreSQL sequence past the rows loaded, so that the next row gets a free number. SQLite needs none."""
    connection = connections[alias]
    statements = connection.ops.sequence_reset_sql(no_style(), models_of(registry))
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def _line(values: list[Any]) -> str:
    return f"{_text(values)}\n"


def _out(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, UUID):
        return str(value)
    return value
