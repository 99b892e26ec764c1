"""What a row may hold, by one rule made from the models, so that both databases take and refuse the same.

PostgreSQL refuses a text that is too long for its column, a null character and a number out of its column's range;
SQLite stores the first two, and other numbers. A lone surrogate (half of a UTF-16 pair) can be written to neither.
Each row is looked at as it is saved; whoever stores many rows at once calls :func:`require_storable` on each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal

from django.db import models
from django.db.backends.base.operations import BaseDatabaseOperations

RANGES = BaseDatabaseOperations.integer_field_ranges
"""Smallest and largest number of each kind of integer column, as PostgreSQL has them."""
REFUSALS: dict[str, type[Exception]] = {}
"""By label of the app: the error that its own doors know how to show, where there is one."""
_NO_TEXT = re.compile("[\x00\ud800-\udfff]")


class Unstorable(Exception):
    """A value that its column cannot hold, in words; the page is answered with 422."""


def odd_character(text: str) -> str:
    """The first character that no database stores, as words; empty without one."""
    found = _NO_TEXT.search(text)
    if found is None:
        return ""
    return "a null character" if found[0] == "\x00" else f"half a character (U+{ord(found[0]):04X})"


def unstorable_field(row: models.Model) -> tuple[str, str] | None:
    """Name of the first field whose value cannot be stored, and what is wrong with it; None if all can."""
    for field in row._meta.concrete_fields:
        fault = "" if field.is_relation else _fault(field, row.__dict__.get(field.attname))
        if fault:
            return field.name, fault
    return None


def why_unstorable(row: models.Model) -> str:
    """A sentence that says which value of this row cannot be stored, and what could be; empty if all can."""
    found = unstorable_field(row)
    if found is None:
        return ""
    words = str(row._meta.get_field(found[0]).verbose_name)  # type: ignore[union-attr]
    return f"{words[:1].upper()}{words[1:]}: {found[1]}"


def require_storable(sender: type[models.Model], instance: models.Model, **_signal: object) -> None:
    """Refuse a row that one of the two databases could not hold.

    Raises:
        Unstorable: or what :data:`REFUSALS` names for its app.
    """
    if not sender.__module__.startswith("shopkb."):
        return
    if why := why_unstorable(instance):
        raise REFUSALS.get(sender._meta.app_label, Unstorable)(why)


def _fault(field: models.Field[object, object], value: object) -> str:
    if isinstance(value, str | list | dict):
        odd = next(filter(None, map(odd_character, _texts(value))), "")
        if odd:
            return f"there is {odd} in it, which is no text. Type it anew."
    if isinstance(value, str):
        most = field.max_length if isinstance(field, models.CharField | models.TextField) else None
        if most is not None and len(value) > most:
            return f"{len(value):,} characters are more than the {most:,} that can be kept. Shorten it."
    elif isinstance(value, Decimal) and isinstance(field, models.DecimalField):
        if not value.is_finite() or abs(value) >= 10 ** (field.max_digits - field.decimal_places):
            return "this number is larger than can be kept. Look at it and its unit again."
    elif isinstance(value, int) and not isinstance(value, bool) and field.get_internal_type() in RANGES:
        low, high = RANGES[field.get_internal_type()]
        if not low <= value <= high:
            return f"this number cannot be kept. It is from {low:,} to {high:,}."
    return ""


def _texts(value: object) -> Iterator[str]:
    """Every text in a value of a JSON column."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, list):
        for part in value:
            yield from _texts(part)
    elif isinstance(value, dict):
        for name, part in value.items():
            yield from _texts(name)
            yield from _texts(part)
