"""Revisions name systems, components and platforms by their paths, and what was published never changes.

A system that a revision names keeps its place. A platform may move, as models and generations are sorted anew: the
published text stays as it was written, the procedure itself holds the platform and so shows it under today's name, and
drafts follow.
"""

from __future__ import annotations

from dataclasses import replace
from functools import reduce
from operator import or_

from django.db.models import Q

from shopkb.catalog.trees import StillInUse
from shopkb.core.flow.model import Flow
from shopkb.core.identifiers import is_within
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_in, replace_platforms

SHOWN = 3


def refuse_if_named(path: str) -> None:
    """Refuse to move a system that a revision names, itself or one below it. One query.

    Raises:
        StillInUse: the sentence says which procedures name it and what would be right.
    """
    named = Procedure.objects.filter(naming_path(path, "revisions__"))
    titles = list(named.order_by("title").values_list("title", flat=True).distinct())
    if titles:
        listed = ", ".join(titles[:SHOWN])
        more = f" and {len(titles) - SHOWN} more" if len(titles) > SHOWN else ""
        raise StillInUse(
            f"{path} keeps its place: it is named by procedures ({listed}{more}), "
            "and what was published never changes. Add a new node where it belongs and name it in a new revision."
        )


def follow_platform(old: str, new: str) -> None:
    """A platform has another path: drafts, also those in review, name it by that."""
    waiting = Revision.objects.filter(state__in=[Revision.State.DRAFT, Revision.State.IN_REVIEW])
    for revision in waiting.with_document():
        flow = flow_in(revision)
        paths = tuple(_moved(path, old, new) for path in flow.platforms)
        if paths != flow.platforms:
            replace_platforms(revision, paths)


def _moved(path: str, old: str, new: str) -> str:
    return new + path[len(old) :] if is_within(path, old) else path


def with_current_platforms(flow: Flow, revision: Revision) -> Flow:
    """What a new draft begins with: the revision's text, the platforms of the one in force as they are called now."""
    today = set(revision.procedure.platforms.values_list("path", flat=True))
    if revision.state != Revision.State.PUBLISHED or not today or today == set(flow.platforms):
        return flow
    kept = [path for path in flow.platforms if path in today]
    return replace(flow, platforms=(*kept, *sorted(today - set(kept))))


def naming_path(path: str, to_revision: str = "") -> Q:
    """Revisions that name this system or one below it; ``to_revision``: the way to them from other rows."""
    return reduce(or_, (_named(field, path, to_revision) for field in ("system", "component", "at")))


def _named(field: str, path: str, to_revision: str) -> Q:
    """Documents in which a field of the file holds this path or one below it.

    The text is compact JSON, in which ``"field":"`` can only be a field and its text: quotes inside texts are escaped.
    """
    text = f'"{field}":"{path}'
    within = f"{to_revision}document__text__contains"
    return Q(**{within: f'{text}"'}) | Q(**{within: f"{text}/"})
