"""What the database holds, and which statements change it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from django.apps import apps

KEPT_FOR_SIGN_IN = frozenset(
    {
        "accounts_auditrecord",
        "axes_accessattempt",
        "axes_accessattemptexpiration",
        "axes_accessfailurelog",
        "axes_accesslog",
        "django_session",
        "jobs_jobreading",
    }
)
"""Tables that a visit may touch: they say who is signed in, who tried, and who read what."""


def rows() -> dict[str, str]:
    """A digest of each table, but for those of signing in."""
    found = {}
    for model in apps.get_models(include_auto_created=True):
        table = model._meta.db_table
        if table not in KEPT_FOR_SIGN_IN and model._meta.managed:
            lines = sorted(repr(row) for row in model._base_manager.values_list())
            found[table] = hashlib.sha256("\n".join(lines).encode()).hexdigest()
    return found


def writes(statements: Iterable[dict[str, str]]) -> list[str]:
    """Those of the captured statements that change a row, but for tables of signing in."""
    said = (statement["sql"] for statement in statements)
    changing = (sql for sql in said if sql.lstrip("( ").upper().startswith(("INSERT", "UPDATE", "DELETE", "TRUNCATE")))
    return [sql for sql in changing if not any(f'"{table}"' in sql for table in KEPT_FOR_SIGN_IN)]
