"""What other records name a record, in words, whichever room they live in."""

from __future__ import annotations

from django.db import models
from django.utils.text import get_text_list

SHOWN = 3
"""Names given for each kind of record; the rest are counted."""


def uses_of(record: models.Model) -> str:
    """``2 symptoms (Horn is silent, Horn is weak) and 1 cause (Horn: open circuit)``, or an empty text if unused."""
    parts: list[str] = []
    for relation in record._meta.get_fields(include_hidden=True):
        if not isinstance(relation, models.ForeignObjectRel) or relation.related_model._meta.auto_created:
            continue
        rows = relation.related_model._default_manager.filter(**{relation.field.name: record})
        count = rows.count()
        if count:
            parts.append(_counted(relation, count, [str(row) for row in rows[:SHOWN]]))
    return get_text_list(parts, "and")


def _counted(relation: models.ForeignObjectRel, count: int, names: list[str]) -> str:
    options = relation.related_model._meta
    kind = options.verbose_name if count == 1 else options.verbose_name_plural
    below = " below it" if relation.related_model is relation.model else ""
    more = f" and {count - len(names)} more" if count > len(names) else ""
    return f"{count} {kind}{below} ({', '.join(names)}{more})"
