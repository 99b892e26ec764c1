"""How much may be put on one job or run: rows that are never removed, by people who need not hold it."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet

from shopkb.jobs.errors import NotPossible

KEPT_ASIDE = 60
"""Answers and values of one person that came too late to count, on one run; more than a procedure has steps."""
REPAIRS = 60
CHECKS = 60
FINDINGS = 60
RUNS = 60
TAKE_OVERS = 60
"""Further rows on one job, repair or run: many times what any real job has."""


def require_room(rows: QuerySet[Any], most: int, what: str) -> None:
    """Stop where there are that many rows already. One query.

    Raises:
        NotPossible: says ``what`` there is enough of; nothing more is stored.
    """
    if rows.count() >= most:
        raise NotPossible(f"{what}: {most} are as many as can be kept here. Speak to whoever runs the tool.")
