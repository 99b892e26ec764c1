"""Roles and what each may do. A right is checked where the thing happens, never only on the page."""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol

from django.core.exceptions import PermissionDenied


class Role(StrEnum):
    """What a person does in the shop."""

    TECHNICIAN = "technician"
    WRITER = "writer"
    MANAGER = "manager"
    KEEPER = "keeper"


class Right(StrEnum):
    """One thing a person may do, worded so that a refusal can quote it."""

    READ = "read procedures and jobs"
    WORK = "book in, follow and close jobs"
    REOPEN = "reopen closed jobs"
    WRITE = "write procedures"
    PUBLISH = "review, publish and withdraw procedures"
    CATALOG = "change the catalog"
    REPORT = "see the shop's figures"
    PEOPLE = "manage people"
    UPKEEP = "run backups and checks"
    VEHICLES = "read vehicles in from a file"


_TECHNICIAN = frozenset({Right.READ, Right.WORK})
_WRITER = _TECHNICIAN | {Right.REOPEN, Right.WRITE, Right.PUBLISH, Right.CATALOG}
_MANAGER = _TECHNICIAN | {Right.REOPEN, Right.REPORT, Right.PUBLISH}

RIGHTS: dict[Role, frozenset[Right]] = {
    Role.TECHNICIAN: _TECHNICIAN,
    Role.WRITER: _WRITER,
    Role.MANAGER: _MANAGER,
    Role.KEEPER: frozenset(Right),
}


BY_PIN = frozenset({Right.READ, Right.WORK, Right.REOPEN})
"""What a PIN opens, whatever the role: the work at the vehicle. A few digits, typed where others look on, are not
enough to publish, to manage or to keep."""


class RightsHolder(Protocol):
    """What a right is decided by. Everyone but an anonymous visitor has a role."""

    is_active: bool
    is_superuser: bool
    role: str

    @property
    def is_authenticated(self) -> bool: ...


def may(user: RightsHolder, right: Right) -> bool:
    """Whether an active, signed-in person has this right; whoever came in by PIN has only :data:`BY_PIN`."""
    if not user.is_authenticated or not user.is_active:
        return False
    if _by_pin(user) and right not in BY_PIN:
        return False
    return _of_role(user, right)


def _by_pin(user: RightsHolder) -> bool:
    return getattr(user, "by_pin", False)


def _of_role(user: RightsHolder, right: Right) -> bool:
    return user.is_superuser or right in RIGHTS.get(Role(user.role), frozenset())


def require(user: RightsHolder, right: Right) -> None:
    """Stop here unless the person has the right.

    Raises:
        PermissionDenied: with a sentence that says what the person may not do and who may.
    """
    if may(user, right):
        return
    if _by_pin(user) and _of_role(user, right):
        raise PermissionDenied(f"You came in with your PIN. Sign in with your password to {right.value}.")
    holders = ", ".join(role.value for role in Role if right in RIGHTS[role])
    raise PermissionDenied(f"Your role does not let you {right.value}. These roles may: {holders}.")
