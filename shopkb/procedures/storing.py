"""Documents to Flow and back: the only place that knows both."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace

from django.db import transaction

from shopkb.core.flow.file.reader import read_tree
from shopkb.core.flow.file.writer import flow_tree, write_flow
from shopkb.core.flow.file.yaml_tree import SIZE_LIMIT
from shopkb.core.flow.model import Flow
from shopkb.evidence.cache import Cache
from shopkb.procedures.models import Document, Revision


class NotReadBack(ValueError):
    """A flow that would not come back as it is; the message says where and what would be right."""


class DocumentUnreadable(ValueError):
    """A stored document is missing or damaged; the message names the revision and what is wrong."""


MOST_LONGER = 16
"""How many times longer than its JSON a procedure file can be, at the very most: writing it takes long, and most are
far from the limit."""

_flows: Cache[Flow] = Cache(256)
_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode


def checksum(flow: Flow) -> str:
    """SHA-256 of the procedure file: equal for equal flows."""
    return hashlib.sha256(write_flow(flow).encode()).hexdigest()


def flow_of(revision: Revision) -> Flow:
    """The revision as a value. One query the first time; revisions out of draft are cached by checksum."""
    if revision.state == Revision.State.DRAFT or not revision.checksum:
        return _flow(Document.objects.get(revision=revision))
    return _flows.of(revision.pk, revision.checksum, lambda: _flow(Document.objects.get(revision=revision.pk)))


def flow_in(revision: Revision) -> Flow:
    """The revision as a value, from the rows in hand (``with_document()``); nothing is cached.

    Raises:
        DocumentUnreadable
    """
    try:
        return _flow(revision.document)
    except Document.DoesNotExist:
        raise DocumentUnreadable(f"The document of revision {revision.pk} is missing.") from None


def _flow(document: Document) -> Flow:
    name = f"The document of revision {document.revision_id}"
    try:
        read = read_tree(json.loads(document.text))
    except json.JSONDecodeError as error:
        raise DocumentUnreadable(f"{name} is no JSON: {error}") from error
    if read.flow is None:
        raise DocumentUnreadable(f"{name} cannot be read: {'; '.join(each.text() for each in read.findings[:3])}")
    return read.flow


def require_readable(flow: Flow) -> None:
    """Whoever made ``flow``: it can be stored, exported and read back. What leads to a step or cause that is not there
    may come back as leading nowhere; the checks tell that.

    Raises:
        NotReadBack
    """
    tree = flow_tree(flow)
    read = read_tree(tree)
    if read.flow is None:
        first = read.findings[0]
        raise NotReadBack(f"{first.message} (at {first.where}). {first.hint}".rstrip())
    if _keys(read.flow) != _keys(flow):
        raise NotReadBack("two of its entries have the same key. Give each step, cause and value a key of its own.")
    if len(_encode(tree)) > SIZE_LIMIT // MOST_LONGER and len(write_flow(flow).encode()) > SIZE_LIMIT:
        raise NotReadBack("as a file it would be longer than 1 MiB. Shorten it, or make two procedures of it.")


def _keys(flow: Flow) -> list[str]:
    outcomes = [f"{step.key}.{outcome.key}" for step in flow.steps for outcome in step.outcomes]
    return [*outcomes, *(entry.key for entry in (*flow.steps, *flow.causes, *flow.values))]


def store_flow(revision: Revision, flow: Flow) -> None:
    """Make the draft say what ``flow`` says. ``revision`` is saved with its new title and checksum.

    Raises:
        ValueError: the revision is no draft; what was published never changes.
    """
    if not revision.may_change:
        raise ValueError(f"Revision {revision.number} is {revision.get_state_display()} and cannot change.")
    _store(revision, flow)


def replace_platforms(revision: Revision, platforms: Sequence[str]) -> None:
    """Give a revision that is not yet published the paths its platforms have now, even while it is in review."""
    _store(revision, replace(flow_of(revision), platforms=tuple(platforms)))


@transaction.atomic
def _store(revision: Revision, flow: Flow) -> None:
    revision.title = flow.title
    revision.checksum = checksum(flow)
    revision.save()
    Document.objects.update_or_create(revision=revision, defaults={"text": _encode(flow_tree(flow))})
