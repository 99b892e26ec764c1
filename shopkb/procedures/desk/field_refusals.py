"""A form taken field by field: what is right is kept, what is not is told at its field."""

from __future__ import annotations

from collections.abc import Callable

from shopkb.core.flow.editing import EditRefused, Fields
from shopkb.core.flow.model import Flow
from shopkb.procedures.desk.finding_text import desk_finding

Refusals = dict[str, str]
"""By the id of the field on the page: what is wrong with what was typed, and what would be right."""


def taken(
    flow: Flow, fields: Fields, change: Callable[[Flow, Fields], Flow], field_id: Callable[[str], str], told: Refusals
) -> Flow:
    """The flow with these fields. Where one is refused, with each of the others; the refusals go into ``told``.

    Raises:
        KeyNotFound: what the form is about is not there.
    """
    try:
        return change(flow, fields)
    except EditRefused:
        pass
    for name, typed in fields.items():
        try:
            flow = change(flow, {name: typed})
        except EditRefused as refusal:
            told[field_id(name)] = words_of(flow, refusal)
    return flow


def words_of(flow: Flow, refusal: EditRefused) -> str:
    """What a refusal says first, in the words of the desk."""
    finding = desk_finding(flow, refusal.findings[0])
    return f"{finding.message.rstrip('.')}. {finding.hint}".strip()
