"""Rows that carry the id which their sender gave them, so that sending twice stores once (law 3)."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar
from uuid import UUID

from django.conf import settings
from django.db import models

from shopkb.jobs.errors import IdempotencyConflict


class ClientRecord(models.Model):
    """A row whose ``client_id`` was chosen by the page or the device that sent it."""

    client_id = models.UUIDField(unique=True)

    class Meta:
        abstract = True
        ordering = ["id"]


class SignedRecord(ClientRecord):
    """A row that also says who recorded it, and when by the server's clock."""

    who = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta(ClientRecord.Meta):
        abstract = True


Record = TypeVar("Record", bound=ClientRecord)


def stored_before(
    rows: models.QuerySet[Record],
    client_id: UUID,
    same: Callable[[Record], bool] = lambda _row: True,
    refusal: str = "This was sent before with another content. Reload the page.",
) -> Record | None:
    """The row that was stored when this was sent before; ``None`` the first time. One query.

    Raises:
        IdempotencyConflict: with ``refusal``, where the row is not the ``same`` as what is sent now.
    """
    before = rows.filter(client_id=client_id).first()
    if before is not None and not same(before):
        raise IdempotencyConflict(refusal)
    return before
