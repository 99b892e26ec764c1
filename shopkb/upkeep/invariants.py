"""The laws of what is stored, checked on a live database. Each check reads; only what is safe is mended.

A finding names its law: ``database``, ``revisions`` (a published revision never changes, has no loops, one is in
force), ``results`` (append-only: a replaced answer is an earlier one of the same run and step), ``events`` (the log is
whole, and each record says what it said when it was logged), ``words`` (cautions, hazards and limits of meters say what
two people let them say, and it is kept what was shown), ``runs`` (none under way on a closed job), ``jobs`` (a
claim of a cure rests on a verified repair; a comeback is the same vehicle, later), ``tallies`` (equal to a recount),
``trees``, ``append-only`` (the triggers that refuse changes are in place), ``photos`` (each has its file), ``pictures``
(each has its file, and what a step shows is there), ``folders`` (closed to other accounts of this computer).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import islice

from django.contrib.staticfiles import finders
from django.core.files.storage import default_storage
from django.db import DatabaseError, connection, transaction
from django.db.models import F, Q
from django.utils import timezone

from shopkb.catalog import verifying, wordings
from shopkb.catalog.models import Platform, SafetyKind, System, Wording
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.model import Step
from shopkb.evidence.learning import kept, rebuild, total_of
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.log import append_only
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import DangerPassed, Event, Job, Photo, Repair, Result, Run, Verification
from shopkb.jobs.shown_words import read_stamp
from shopkb.procedures.instruction_pictures import shown_pictures
from shopkb.procedures.models import Picture, Revision
from shopkb.procedures.storing import DocumentUnreadable, checksum, flow_in
from shopkb.upkeep.chains import broken_chains
from shopkb.upkeep.modes import close_to_others, open_to_others
from shopkb.upkeep.unavailable import BUSY, message_for
from shopkb.web.markdown import STEP_PICTURES

NEVER_CHANGES = (Revision.State.PUBLISHED, Revision.State.REPLACED, Revision.State.WITHDRAWN)
SHOWN = 5
UNREADABLE = "database"
"""Law of findings that ask for a backup to be put back."""


@dataclass(frozen=True, slots=True)
class BrokenInvariant:
    """One broken law: which, what it is broken at, in words, and whether ``verify --repair`` mends it."""

    law: str
    place: str
    message: str
    mendable: bool = False


def broken_invariants() -> list[BrokenInvariant]:
    """Everything that does not hold, law by law, the first row of each kind first.

    What was found before the database could no longer be read is kept, and nothing is looked for after it.

    Raises:
        DatabaseError: others kept it busy, which says nothing of what is stored.
    """
    found: list[BrokenInvariant] = []
    try:
        for check in CHECKS.values():
            found.extend(check())
    except (DatabaseError, UnicodeDecodeError) as error:  # SQLite hands names of a damaged file back as they are
        if message_for(str(error)) == BUSY:
            raise
        found.append(BrokenInvariant(UNREADABLE, str(connection.settings_dict["NAME"]), f"It cannot be read: {error}."))
    return found


def database() -> Iterator[BrokenInvariant]:
    """The file itself (SQLite's own check) and links that lead nowhere."""
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        for (words,) in cursor.execute("PRAGMA integrity_check(5)").fetchall():
            if words != "ok":
                yield BrokenInvariant(
                    UNREADABLE, connection.settings_dict["NAME"], f"{words}. Restore the last good backup."
                )
        for table, row, other, _number in cursor.execute("PRAGMA foreign_key_check").fetchall()[:SHOWN]:
            yield BrokenInvariant("database", f"{table} {row}", f"It points to a row of {other} that is not there.")


def revisions() -> Iterator[BrokenInvariant]:
    rows = Revision.objects.filter(state__in=NEVER_CHANGES).order_by("pk").with_document()
    for revision in rows.iterator(chunk_size=50):
        name = f"{revision.procedure.key}, revision {revision.number}"
        try:
            flow = flow_in(revision)
        except DocumentUnreadable as error:
            yield BrokenInvariant("revisions", name, str(error))
            continue
        if revision.published_at is None:
            if revision.state != Revision.State.WITHDRAWN:
                yield BrokenInvariant("revisions", name, "It is in force or was, and nobody published it.")
            continue
        if checksum(flow) != revision.checksum:
            yield BrokenInvariant("revisions", name, "It was changed after it was published: its checksum is another.")
        for found in check_flow(flow):
            if found.id == "loop":
                yield BrokenInvariant("revisions", name, found.message)


def results() -> Iterator[BrokenInvariant]:
    wrong = Result.objects.filter(replaces__isnull=False).exclude(
        replaces__run=F("run"), replaces__step=F("step"), replaces__lt=F("pk")
    )
    for row in wrong.order_by("pk")[:SHOWN]:
        yield BrokenInvariant(
            "results", f"result {row.pk}", "It replaces an answer of another run or step, or a later one."
        )


def events() -> Iterator[BrokenInvariant]:
    for number, found in enumerate(broken_chains()):
        if number == SHOWN:
            return
        yield BrokenInvariant("events", found.place, found.message)


def words() -> Iterator[BrokenInvariant]:
    """What cautions, systems, access states and meters say is their newest wording, and what was noted as shown or
    confirmed is a wording there was."""
    newest = {(row.kind, row.key): row for row in Wording.objects.order_by("number")}
    known = set(Wording.objects.filter(kind=SafetyKind.CAUTION).values_list("key", "number"))
    for row in wordings.all_rows():
        kind, key = wordings.kind_of(row), wordings.key_of(row)
        kept = newest.get((kind, key))
        if kept is None and (kind != SafetyKind.SYSTEM or wordings.facts_of(row)["hazards"]):
            yield BrokenInvariant("words", f"{kind} {key}", "Nothing is kept of what it says.", mendable=True)
        elif kept is not None and (kept.facts != wordings.facts_of(row) or kept.number != row.wording):
            yield BrokenInvariant(
                "words", f"{kind} {key}", f"It says something else than wording {kept.number}, the one in force."
            )
    noted = Event.objects.filter(kind__in=[Kind.RESULT, Kind.DANGER]).exclude(words="").order_by("pk")
    lost = (event for event in noted.iterator() if not set(read_stamp(event.words).items()) <= known)
    for event in islice(lost, SHOWN):
        place = f"run {event.run_id}, event {event.number}"
        yield BrokenInvariant("words", place, f"It notes a wording that is not kept: {event.words}.")
    sealed = dict(Event.objects.filter(kind=Kind.DANGER).exclude(words="").values_list("record", "words"))
    for passed in DangerPassed.objects.filter(pk__in=list(sealed)).order_by("pk"):
        if read_stamp(sealed[passed.pk]).get(passed.caution) != passed.wording:
            yield BrokenInvariant(
                "words", f"danger {passed.pk}", "It was confirmed under another wording than it says."
            )


def runs() -> Iterator[BrokenInvariant]:
    for row in Run.objects.under_way().filter(job__state=Job.State.CLOSED).order_by("pk")[:SHOWN]:
        yield BrokenInvariant("runs", f"run {row.pk}", f"It is under way, but {row.job} is closed.", mendable=True)


def jobs() -> Iterator[BrokenInvariant]:
    verified = Repair.objects.filter(verifications__cured=Verification.Cured.YES).values("job")
    for job in Job.objects.filter(disposition=Job.Disposition.CURED).exclude(pk__in=verified).order_by("pk")[:SHOWN]:
        yield BrokenInvariant(
            "jobs", f"job {job.pk}", "It was closed as cured, and no repair was verified to have cured it."
        )
    wrong = Job.objects.filter(comeback_of__isnull=False).filter(
        ~Q(comeback_of__vehicle=F("vehicle")) | Q(comeback_of__opened_at__gt=F("opened_at"))
    )
    for job in wrong.order_by("pk")[:SHOWN]:
        yield BrokenInvariant("jobs", f"job {job.pk}", "It is a comeback of a later job, or of one on another vehicle.")


def tallies() -> Iterator[BrokenInvariant]:
    stored, counted = kept(), total_of(closed_cases())
    wrong = sorted(key for key in stored.keys() | counted.keys() if stored.get(key) != counted.get(key))
    for key in wrong[:SHOWN]:
        yield BrokenInvariant(
            "tallies",
            str(key),
            f"Kept as {stored.get(key)}, counted from the jobs as {counted.get(key)}.",
            mendable=True,
        )


def trees() -> Iterator[BrokenInvariant]:
    for tree in (System, Platform):
        for found in verifying.verify(tree).findings[:SHOWN]:
            yield BrokenInvariant("trees", found.path, found.message, mendable=True)


def records() -> Iterator[BrokenInvariant]:
    for name, table in sorted(append_only.expected(connection) - append_only.installed(connection)):
        yield BrokenInvariant(
            "append-only", table, f"Its trigger {name} is gone: records could be changed.", mendable=True
        )
    if append_only.left_open(connection):
        yield BrokenInvariant(
            "append-only", append_only.SWITCH, "It is not empty, so records can be changed. Empty it."
        )


def photos() -> Iterator[BrokenInvariant]:
    missing = (row for row in Photo.objects.order_by("pk").iterator() if not default_storage.exists(row.name))
    for number, row in enumerate(missing):
        if number == SHOWN:
            return
        yield BrokenInvariant("photos", f"photo {row.pk} of job {row.job_id}", f"Its file {row.name} is not there.")


def pictures() -> Iterator[BrokenInvariant]:
    """Pictures of instructions, and drawings that steps name."""
    rows = Picture.objects.order_by("name")
    for row in [row for row in rows if not default_storage.exists(row.name)][:SHOWN]:
        yield BrokenInvariant("pictures", row.name, "Its file is not there. Put it back from a backup.")
    known = {row.name for row in rows}
    showing = Q(document__text__contains=STEP_PICTURES) | Q(document__text__contains='"picture":"')
    named = (
        (revision, step, name)
        for revision in Revision.objects.filter(showing).order_by("pk").with_document().iterator(chunk_size=50)
        for step in _steps(revision)
        for name in _shown(step)
    )
    missing = (each for each in named if each[2] not in known and not _drawing(each[2]))
    for revision, step, name in islice(missing, SHOWN):
        place = f"{revision.procedure.key}, revision {revision.number}, {step.key}"
        yield BrokenInvariant("pictures", place, f"It shows {name}, which is not there.")


def _steps(revision: Revision) -> tuple[Step, ...]:
    """Its steps; none where its document is damaged, which :func:`revisions` tells of."""
    try:
        return flow_in(revision).steps
    except DocumentUnreadable:
        return ()


def _shown(step: Step) -> list[str]:
    """Names of the pictures in the instruction, and of the drawing."""
    inside = [name for name, _words in shown_pictures(step.instruction)]
    return [*inside, *([step.picture] if step.picture else [])]


@cache
def _drawing(name: str) -> bool:
    return finders.find(f"procedures/pictures/{name}") is not None


def folders() -> Iterator[BrokenInvariant]:
    for path in open_to_others():
        yield BrokenInvariant("folders", str(path), "Every account of this computer may look into it.", mendable=True)


@transaction.atomic
def mend_runs() -> None:
    late = Run.objects.under_way().filter(job__state=Job.State.CLOSED)
    late.update(state=Run.State.STOPPED, stopped_why="The job was closed.", ended_at=timezone.now())


def mend_words() -> None:
    """Keep what is said by entries of which nothing was kept: they were put in behind the doors."""
    kept = set(Wording.objects.values_list("kind", "key"))
    missing = [row for row in wordings.all_rows() if (wordings.kind_of(row), wordings.key_of(row)) not in kept]
    wordings.record(missing, why="Kept by verify --repair.")


def mend_tallies() -> None:
    rebuild(closed_cases())


def mend_records() -> None:
    append_only.install(connection)


def mend_trees() -> None:
    for tree in (System, Platform):
        verifying.repair(tree)


def mend_folders() -> None:
    close_to_others()


CHECKS: dict[str, Callable[[], Iterator[BrokenInvariant]]] = {
    "database": database,
    "revisions": revisions,
    "results": results,
    "events": events,
    "words": words,
    "runs": runs,
    "jobs": jobs,
    "tallies": tallies,
    "trees": trees,
    "append-only": records,
    "photos": photos,
    "pictures": pictures,
    "folders": folders,
}
MENDS: dict[str, Callable[[], None]] = {
    "runs": mend_runs,
    "words": mend_words,
    "tallies": mend_tallies,
    "trees": mend_trees,
    "append-only": mend_records,
    "folders": mend_folders,
}
"""Only what can be made anew from what stays as it is."""
