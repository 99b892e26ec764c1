"""Opening a shop: its choices, first keeper, starter catalog and shipped procedures, all of it or nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.catalog.loading import load_folder
from shopkb.hosting import choices, first_run
from shopkb.procedures import shipped


class NotOpened(Exception):
    """What comes with the tool is faulty; nothing was stored."""


@dataclass(frozen=True, slots=True)
class FirstKeeper:
    username: str
    called: str
    password: str


def open_shop(keeper: FirstKeeper, chosen: choices.Choices, *, at: datetime) -> User:
    """Make the shop; the first keeper puts the shipped procedures in force.

    Raises:
        OpenedMeanwhile: somebody else did.
        NotOpened: a shipped file is faulty.
        OSError, DatabaseError: the disk is full, or the like; nothing is kept.
    """
    with first_run.used_once(), transaction.atomic():
        person = User(username=keeper.username, called=keeper.called, role=Role.KEEPER)
        person.set_password(keeper.password)
        person.save()
        _load(Path(settings.BASE_DIR), by=person, at=at)
        choices.keep(chosen)
    return person


def _load(root: Path, *, by: User, at: datetime) -> None:
    loaded = load_folder(root / "fixtures" / "starter")
    if loaded.faults:
        raise NotOpened(loaded.faults[0].text())
    try:
        shipped.put_in_force([root / "flows"], by=by, at=at)
    except shipped.ShippedFaulty as error:
        raise NotOpened(str(error)) from error
