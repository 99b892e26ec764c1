"""The one door for what safety rests on: words of cautions, hazards of systems and access states, limits of meters.

What a procedure that was ever put forward uses changes only when a second person confirms it; until then the change is
a :class:`Proposal`. Everything else is changed at once. Either way what is in force is kept as a :class:`Wording` with
its date and never changes, so that it is known which words a job was followed under.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from typing import Any, Final, TypeGuard

from django.db import models, transaction
from django.db.models import Max
from django.dispatch import Signal
from django.utils import timezone

from shopkb.accounts.audit import Action, note
from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.facts import forget_facts
from shopkb.catalog.models import Access, Caution, Meter, Proposal, SafetyKind, System, TreeLock, Wording

SafetyRow = Caution | System | Access | Meter
Facts = Mapping[str, Any]

MODELS: Mapping[str, type[SafetyRow]] = {
    SafetyKind.CAUTION: Caution,
    SafetyKind.SYSTEM: System,
    SafetyKind.ACCESS: Access,
    SafetyKind.METER: Meter,
}
SAFETY_FIELDS: Mapping[str, tuple[str, ...]] = {
    SafetyKind.CAUTION: ("signal", "title", "text", "hazards", "ask"),
    SafetyKind.SYSTEM: ("hazards",),
    SafetyKind.ACCESS: ("name", "hazards", "refit"),
    SafetyKind.METER: ("accuracies",),
}
"""What of an entry is under this rule. Minutes, and names that no one relies on, are not."""

CAUSE: Final = "cause"
"""The kind under which it is asked who proves a cause, by its identity. A cause has no wordings."""

asked_for_uses = Signal()
"""Sent with ``kind`` and ``key``: rooms above answer with the titles of the procedures that use the entry."""


class ChangeRefused(Exception):
    """A change that was not made. The text is a sentence for the person who asked."""


def is_safety_row(row: object) -> TypeGuard[SafetyRow]:
    return isinstance(row, Caution | System | Access | Meter)


def kind_of(row: SafetyRow) -> SafetyKind:
    return next(SafetyKind(kind) for kind, model in MODELS.items() if isinstance(row, model))


def key_of(row: SafetyRow) -> str:
    """What procedures call it by: the key, or a system's path."""
    return str(row.path if isinstance(row, System) else row.key)


def facts_of(row: SafetyRow) -> dict[str, Any]:
    """What of it is under the rule, as it stands in this row."""
    return {name: getattr(row, name) for name in SAFETY_FIELDS[kind_of(row)]}


def row_of(kind: str, key: str) -> SafetyRow | None:
    """The entry; None if it was removed."""
    name = "path" if kind == SafetyKind.SYSTEM else "key"
    found: SafetyRow | None = MODELS[kind]._default_manager.filter(**{name: key}).first()
    return found


def uses(kind: str, key: str) -> list[str]:
    """Titles of procedures that use it in a revision that was put forward for review, in alphabetical order."""
    answers = asked_for_uses.send(sender=Wording, kind=kind, key=key)
    return sorted({str(title) for _receiver, titles in answers for title in titles or ()})


def uses_of_entry(row: SafetyRow) -> list[str]:
    return uses(kind_of(row), key_of(row))


def empty_facts(row: SafetyRow) -> dict[str, Any] | None:
    """What a new entry says until a second person has confirmed it: a meter in a shop at work has no limits yet.

    Other entries do nothing until a procedure that names them is published, which takes a second person. None: the
    entry may say at once what it says.
    """
    return {"accuracies": []} if isinstance(row, Meter) and uses_of_entry(row) else None


@transaction.atomic
def record(rows: Iterable[SafetyRow], *, by: User | None = None, at: datetime | None = None, why: str = "") -> int:
    """Keep what these entries say now as their wording, where that is not kept yet; how many were kept anew.

    Two queries for each kind, and one for each entry whose wording is new.
    """
    count = 0
    for kind, listed in groupby(sorted(rows, key=kind_of), key=kind_of):
        count += _record(kind, list(listed), since=at or timezone.now(), written_by=by, why=why)
    if count:
        transaction.on_commit(forget_facts)
    return count


def _record(kind: SafetyKind, rows: Sequence[SafetyRow], **about: Any) -> int:
    newest = {row.key: row for row in Wording.objects.filter(kind=kind).order_by("number")}
    new: list[Wording] = []
    for row in rows:
        key, facts = key_of(row), facts_of(row)
        kept = newest.get(key)
        if kept is None and isinstance(row, System) and not row.hazards:
            continue  # nothing was ever said of it
        if kept is None or kept.facts != facts:
            kept = Wording(kind=kind, key=key, number=kept.number + 1 if kept else 1, facts=facts, **about)
            new.append(kept)
        if row.wording != kept.number:
            _manager(row).filter(pk=row.pk).update(wording=kept.number)
            row.wording = kept.number
    Wording.objects.bulk_create(new)
    return len(new)


@transaction.atomic
def change(
    row: SafetyRow, facts: Facts, *, by: User | None, why: str = "", at: datetime | None = None
) -> Proposal | Wording | None:
    """Make the entry say this, or propose it; None if it says so already.

    Raises:
        PermissionDenied: ``by`` may not change the catalog.
        ChangeRefused: procedures use it and nobody, or no reason, is named; or another change of it is waiting.
    """
    if by is not None:
        require(by, Right.CATALOG)
    kind, now = kind_of(row), at or timezone.now()
    fresh = _locked(row)
    if fresh is None:
        raise ChangeRefused(f"{row} was removed by somebody else meanwhile. Open the list again.")
    wanted = {**facts_of(fresh), **facts}
    waiting = Proposal.objects.filter(kind=kind, key=key_of(fresh), state=Proposal.State.WAITING).first()
    if wanted == facts_of(fresh) or (waiting is not None and waiting.facts == wanted):
        return waiting if waiting is not None and waiting.facts == wanted else None
    if waiting is not None:
        raise ChangeRefused(
            f"A change of {fresh} by {waiting.by} is waiting for a second person. Have it confirmed or refused first."
        )
    titles = uses(kind, key_of(fresh))
    if not titles:
        note(Action.WORDS_CHANGED, f"{kind} {key_of(fresh)}, which no procedure uses", by=by)
        return _write(fresh, wanted, since=now, written_by=by, why=why)
    if by is None:
        raise ChangeRefused(
            f"{fresh} is used by {titles[0]}{_more(titles)}, so a second person confirms what changes. "
            "Say who proposes it."
        )
    if not why.strip():
        raise ChangeRefused(
            f"{fresh} is used by {titles[0]}{_more(titles)}. Say why it changes: a second person decides."
        )
    note(Action.WORDS_PROPOSED, f"{kind} {key_of(fresh)}: {why.strip()}", by=by)
    return Proposal.objects.create(
        kind=kind, key=key_of(fresh), based_on=fresh.wording, facts=wanted, why=why.strip()[:500], by=by, at=now
    )


def would_propose(row: SafetyRow, facts: Facts) -> bool:
    """Whether :func:`change` would need a second person."""
    return {**facts_of(row), **facts} != facts_of(row) and bool(uses_of_entry(row))


def put_in_force(proposal: Proposal, *, by: User, at: datetime) -> Wording:
    """Make the entry say what was proposed. Whether ``by`` may, and what the checks say, is decided by the room that
    knows the procedures (:mod:`shopkb.procedures.safety_words`).

    Raises:
        ChangeRefused: the entry is gone, or says something else by now than the proposal started from.
    """
    found = row_of(proposal.kind, proposal.key)
    row = _locked(found) if found is not None else None
    if row is None:
        raise ChangeRefused("It was removed meanwhile. Refuse the proposal.")
    if row.wording != proposal.based_on:
        raise ChangeRefused("It was changed since this was proposed. Refuse the proposal and make a new one from it.")
    return _write(row, proposal.facts, since=at, written_by=proposal.by, confirmed_by=by, why=proposal.why)


def refuse_removal(row: SafetyRow) -> None:
    """Raises:
    ChangeRefused: a procedure uses it.
    """
    titles = uses_of_entry(row)
    if titles:
        raise ChangeRefused(
            f"{row} cannot be removed. It is used by {titles[0]}{_more(titles)}, and what was published never changes."
        )


def wordings_of(pairs: Iterable[tuple[str, int]]) -> dict[tuple[str, int], Wording]:
    """Wordings of cautions by key and number. One query, none for nothing."""
    wanted = set(pairs)
    if not wanted:
        return {}
    rows = Wording.objects.filter(kind=SafetyKind.CAUTION, key__in={key for key, _number in wanted})
    return {(row.key, row.number): row for row in rows if (row.key, row.number) in wanted}


def in_force_at(wordings: Sequence[Wording], at: datetime) -> Wording | None:
    """The one in force at this moment among those of one entry; the first where none was kept yet."""
    ordered = sorted(wordings, key=lambda row: row.number)
    before = [row for row in ordered if row.since <= at]
    return before[-1] if before else ordered[0] if ordered else None


def all_rows() -> Iterable[SafetyRow]:
    for model in MODELS.values():
        yield from model._default_manager.order_by("pk")


def _write(row: SafetyRow, facts: Facts, **about: Any) -> Wording:
    wording = _append(kind_of(row), key_of(row), dict(facts), **about)
    _manager(row).filter(pk=row.pk).update(**facts, wording=wording.number)
    for name, value in facts.items():
        setattr(row, name, value)
    row.wording = wording.number
    transaction.on_commit(forget_facts)
    return wording


def _append(kind: str, key: str, facts: dict[str, Any], **about: Any) -> Wording:
    newest = Wording.objects.filter(kind=kind, key=key).aggregate(newest=Max("number"))["newest"] or 0
    return Wording.objects.create(kind=kind, key=key, number=newest + 1, facts=facts, **about)


def _locked(row: SafetyRow) -> SafetyRow | None:
    """The entry as it stands now that nobody else changes it; a system under the lock of its tree, whose other writes
    store whole rows."""
    if isinstance(row, System):
        TreeLock.objects.select_for_update().get_or_create(tree=System._meta.model_name)
    found: SafetyRow | None = _manager(row).select_for_update().filter(pk=row.pk).first()
    return found


def _manager(row: SafetyRow) -> models.Manager[Any]:
    manager: models.Manager[Any] = type(row)._default_manager
    return manager


def _more(titles: Sequence[str]) -> str:
    return f" and {len(titles) - 1} more" if len(titles) > 1 else ""
