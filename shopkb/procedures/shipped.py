"""The procedures that come with the tool, put in force by whoever opens the shop.

They are written in the name of an account that nobody can sign in to, so that the person who puts them in force is the
second one, and later changes name their writer.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.procedures.exchange import StoredFile, check_files, flow_files, store
from shopkb.procedures.models import Procedure
from shopkb.procedures.publishing import ActionRefused

AUTHOR = "shopkb"
WHY = "Comes with the tool: common practice, without any maker's data."


class ShippedFaulty(Exception):
    """A shipped file does not pass the checks against this shop's catalog."""


@transaction.atomic
def put_in_force(places: Iterable[Path], *, by: User, at: datetime) -> list[StoredFile]:
    """All of them or none; ``by`` is named as the person who put them in force, and owns them.

    Raises:
        ShippedFaulty: with the first fault in words.
        PermissionDenied: ``by`` may not publish.
    """
    checked = check_files(flow_files(places))
    faults = [fault.text(file.path.name) for file in checked for fault in file.errors or ()]
    faults += [f"{file.path.name} cannot be read." for file in checked if file.flow is None]
    if faults:
        raise ShippedFaulty(faults[0])
    author, _made = User.objects.get_or_create(
        username=AUTHOR, defaults={"called": "Comes with the tool", "role": Role.WRITER, "password": "!"}
    )
    author.is_active = True  # within this transaction alone
    author.save(update_fields=["is_active"])
    try:
        stored = store(checked, by=author, at=at, why=WHY, publish_by=by)
    except ActionRefused as refusal:
        raise ShippedFaulty(str(refusal)) from refusal
    Procedure.objects.filter(owner=author).update(owner=by)
    author.is_active = False
    author.save(update_fields=["is_active"])
    return stored
