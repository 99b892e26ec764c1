"""Procedure files in and out of the shop, for commands and pages: read, check, store, write."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.core.flow.file.reader import read_flow, with_lines
from shopkb.core.flow.findings import CheckFinding
from shopkb.core.flow.model import Flow
from shopkb.procedures import publishing
from shopkb.procedures.models import Revision

WAITING = (Revision.State.DRAFT, Revision.State.IN_REVIEW)


@dataclass(frozen=True)
class CheckedFile:
    """One file, read and checked. ``flow`` is ``None`` when it could not be read."""

    path: Path
    flow: Flow | None
    findings: tuple[CheckFinding, ...]

    @property
    def errors(self) -> tuple[CheckFinding, ...]:
        return publishing.errors_of(self.findings)


@dataclass(frozen=True)
class StoredFile:
    """What became of one file: ``draft``, ``published`` or ``unchanged``."""

    path: Path
    key: str
    number: int
    became: str


def flow_files(places: Iterable[Path]) -> Iterator[Path]:
    """Files as named, and every ``.yaml`` or ``.yml`` below folders, sorted."""
    for place in places:
        if place.is_dir():
            yield from sorted(path for path in place.rglob("*") if path.suffix in (".yaml", ".yml"))
        else:
            yield place


def check_files(paths: Iterable[Path], fitted: Callable[[Flow], Flow] | None = None) -> list[CheckedFile]:
    """Read and check files together, so that they may hand over to each other. ``fitted`` makes of a flow what is to
    be checked and stored in its place.

    Raises:
        OSError: a file cannot be opened.
    """
    read = [(path, read_flow(path.read_bytes())) for path in paths]
    together = frozenset(outcome.flow.procedure for _path, outcome in read if outcome.flow is not None)
    checked = []
    for path, outcome in read:
        if outcome.flow is None:
            checked.append(CheckedFile(path, None, outcome.findings))
            continue
        flow = fitted(outcome.flow) if fitted else outcome.flow
        found = publishing.findings_of(flow, further=together)
        checked.append(CheckedFile(path, flow, outcome.findings + with_lines(found, outcome.lines)))
    return checked


@transaction.atomic
def store(
    checked: Iterable[CheckedFile], *, by: User, at: datetime, why: str = "", publish_by: User | None = None
) -> list[StoredFile]:
    """Store files that are right, all or none. ``publish_by``: who reviewed them, to put them in force at once.

    All are stored before any is published, since they may hand over to each other.

    Raises:
        RefusedByChecks: a file has errors.
    """
    taken = []
    for file in checked:
        if file.flow is None or file.errors:
            raise publishing.RefusedByChecks(file.errors or file.findings)
        revision = publishing.import_flow(file.flow, by=by, at=at, why=why)
        became = "unchanged" if revision is None else "draft"
        newest = revision or Revision.objects.filter(procedure__key=file.flow.procedure).order_by("-number")[0]
        taken.append((file.path, file.flow.procedure, newest, became))
    stored = []
    for path, key, revision, became in taken:
        if publish_by is not None and revision.state in WAITING:
            publishing.publish(revision, by=publish_by, at=at)
            became = "published"
        stored.append(StoredFile(path, key, revision.number, became))
    return stored
