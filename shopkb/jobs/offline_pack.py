"""Which procedures travel with a device, so that one can be begun without the network."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.cache import cache
from django.db.models import Count, Exists

from shopkb.catalog.models import Platform
from shopkb.core.flow.model import Flow
from shopkb.core.identifiers import is_within
from shopkb.jobs.models import Run
from shopkb.procedures.models import Procedure, ProcedureQuerySet, Revision
from shopkb.procedures.storing import flow_of

MOST = 10
"""So many procedures travel, those followed most often first: about 2 MB."""
RUNS_COUNTED_FOR = timedelta(days=180)
OFTEN, HOUR = "procedures-followed-often", 3600
"""Where the order is kept in Django's cache, and for how many seconds: it is for convenience only."""


@dataclass(frozen=True, slots=True)
class PackedProcedure:
    """A revision in force as a device lists it. ``symptoms`` and ``platforms`` are numbers of rows; no platforms: any
    vehicle."""

    key: str
    number: int
    title: str
    summary: str
    symptoms: tuple[int, ...]
    platforms: tuple[int, ...]


def likely(at: datetime) -> list[PackedProcedure]:
    """The procedures that were followed most often of late, and others in force after them, :data:`MOST` in all.

    A pinned number of queries.
    """
    rank = {key: place for place, (key, _number) in enumerate(addresses(at))}
    return sorted(_told(Procedure.objects.published().filter(key__in=rank)), key=lambda each: rank[each.key])


def addresses(at: datetime) -> list[tuple[str, int]]:
    """The key, and the number of the revision in force, of each procedure of :func:`likely`, in its order. One query,
    and one an hour."""
    often: list[int] = cache.get_or_set(OFTEN, lambda: _followed_often(at), HOUR) or []
    rows = list(Revision.objects.filter(state=Revision.State.PUBLISHED).order_by("title", "pk").values_list(
        "procedure", "procedure__key", "number"
    ))  # fmt: skip
    rows.sort(key=lambda row: often.index(row[0]) if row[0] in often else len(often))
    return [(key, number) for _procedure, key, number in rows[:MOST]]


def _followed_often(at: datetime) -> list[int]:
    """Procedures by how many runs of them were started of late, most first."""
    runs = Run.objects.filter(started_at__gte=at - RUNS_COUNTED_FOR).order_by().values_list("revision__procedure")
    return [row[0] for row in runs.annotate(times=Count("pk")).order_by("-times")[:MOST]]


def packed_procedures(keys: Iterable[str]) -> list[PackedProcedure]:
    """Those of these procedures that are in force."""
    wanted = set(keys)
    return _told(Procedure.objects.published().filter(key__in=wanted)) if wanted else []


def flow_kept(procedure: str, number: int) -> tuple[Revision, Flow] | None:
    """A revision that may be begun with; ``None`` where neither it nor a newer one is in force. One query."""
    states = (Revision.State.PUBLISHED, Revision.State.REPLACED)
    in_force = Revision.objects.filter(procedure__key=procedure, state=Revision.State.PUBLISHED)
    rows = Revision.objects.filter(Exists(in_force), procedure__key=procedure, number=number, state__in=states)
    revision = rows.select_related("procedure").first()
    return (revision, flow_of(revision)) if revision is not None else None


def _told(procedures: ProcedureQuerySet) -> list[PackedProcedure]:
    rows = procedures.prefetch_related("symptoms", "platforms").with_revision_in_force()
    paths = list(Platform.objects.values_list("pk", "path")) if rows else []
    told = []
    for row in rows:
        revision = row.in_force
        if revision is None:
            continue
        own = [platform.path for platform in row.platforms.all()]
        told.append(
            PackedProcedure(
                row.key, revision.number, row.title, row.summary,
                tuple(symptom.pk for symptom in row.symptoms.all()),
                tuple(pk for pk, path in paths if _may_be(path, own)) if own else (),
            )
        )  # fmt: skip
    return told


def _may_be(path: str, written_for: Sequence[str]) -> bool:
    """Whether a vehicle of this platform may be one that the procedure is written for."""
    return any(is_within(path, own) or own.startswith(f"{path}/") for own in written_for)
