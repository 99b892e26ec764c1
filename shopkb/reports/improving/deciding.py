"""The one door for deciding what becomes of a suggestion."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import RIGHTS, Right, may, require
from shopkb.procedures.models import Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.reports.figures.decisions import Decided
from shopkb.reports.figures.suggestions import Subject
from shopkb.reports.models import SuggestionDecision

LONGEST = 300
MOST = 200
"""Decisions on one subject; by then nobody reads them."""
CHANGES_PROCEDURES = [role.value for role, rights in RIGHTS.items() if Right.WRITE in rights]


@dataclass(frozen=True, slots=True)
class Said:
    """What the jobs say of the subject on the day: the sentence, its counts, minutes that could be saved."""

    words: str
    part: int
    whole: int
    minutes: float | None


def who_may_do_it() -> list[User]:
    """Whom a suggestion can be given to: whoever writes procedures here."""
    people = User.objects.filter(is_active=True, role__in=CHANGES_PROCEDURES)
    return sorted(people, key=lambda person: str(person).casefold())


def require_decider(user: User, subject: Subject) -> None:
    """Whoever sees the shop's figures decides, and whoever the suggestion was given to.

    Raises:
        PermissionDenied: this person is neither.
    """
    if may(user, Right.REPORT):
        return
    require(user, Right.WRITE)
    latest = SuggestionDecision.decisions.on(subject).first()
    if latest is None or latest.person_id != user.pk:
        raise PermissionDenied("This suggestion was not given to you.")


@transaction.atomic
def decide(
    subject: Subject, decided: Decided, said: Said, *, by: User, at: datetime, client_id: UUID,
    person: User | None = None, revision: int | None = None, words: str = "",
) -> SuggestionDecision:  # fmt: skip
    """Store the decision. The same client id is one decision.

    ``person`` is whom it is given to, ``revision`` the number of the one that it was done in.

    Raises:
        PermissionDenied: this person may not decide it.
        ActionRefused: it is not said to whom, or why; the person or the revision cannot be.
    """
    require_decider(by, subject)
    before = SuggestionDecision.objects.filter(client_id=client_id).first()
    if before is not None:
        return before
    remark = " ".join(words.split())
    _check(subject, decided, person, revision, remark)
    return SuggestionDecision.objects.create(
        **subject._asdict(), decided=decided, person=person if decided is Decided.GIVEN else None,
        revision=revision if decided is Decided.DONE else None, words=remark, said=said.words[:500], part=said.part,
        whole=said.whole, minutes=said.minutes, by=by, at=at, client_id=client_id,
    )  # fmt: skip


def _check(subject: Subject, decided: Decided, person: User | None, revision: int | None, words: str) -> None:
    if len(words) > LONGEST:
        raise ActionRefused(f"These are {len(words)} characters. Say it in at most {LONGEST}.")
    if decided is Decided.GIVEN and (person is None or not (person.is_active and may(person, Right.WRITE))):
        raise ActionRefused("Choose whom it is given to: somebody who may write procedures.")
    if decided is Decided.DISMISSED and not words:
        raise ActionRefused("Say why it is put aside, so that nobody has to ask again.")
    if decided is Decided.DONE and revision is not None:
        in_force = Revision.objects.filter(procedure__key=subject.procedure, published_at__isnull=False)
        if not in_force.filter(number=revision).exists():
            raise ActionRefused(f"There is no published revision {revision} of this procedure. Choose one of the list.")
    if SuggestionDecision.decisions.on(subject).count() >= MOST:
        raise ActionRefused(f"This was decided {MOST} times already. Talk about it.")
