"""The one-time address at which a shop is opened: unguessable, good once, and gone when the first keeper exists.

``manage.py shop`` makes it while there is no keeper. Only its SHA-256 is kept, in a file of the data folder; while that
file is there, no other page is served.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.conf import settings

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role


class OpenedMeanwhile(Exception):
    """Somebody else has opened the shop at this address already."""


def mark() -> Path:
    return Path(settings.DATA_DIR) / "first-run"


def _taken() -> Path:
    """The mark while the shop is being opened."""
    return mark().with_suffix(".taken")


def has_keeper() -> bool:
    return User.objects.filter(role=Role.KEEPER, is_active=True).exists()


def is_new() -> bool:
    """Whether nobody has an account yet. A shop with people and no keeper is not opened anew: it is at work."""
    return not User.objects.exists()


def new_token() -> str:
    """A new one-time address; the one before it is good no longer."""
    token = secrets.token_urlsafe(32)
    part = mark().with_suffix(".part")
    part.unlink(missing_ok=True)
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write(_digest(token))
    part.replace(mark())
    _taken().unlink(missing_ok=True)
    return token


def is_waiting() -> bool:
    """Whether the shop waits to be opened, or is being opened. The mark of one that has a keeper by now is removed."""
    if not (mark().exists() or _taken().exists()):
        return False
    if has_keeper():
        mark().unlink(missing_ok=True)
        _taken().unlink(missing_ok=True)
        return False
    return True


def is_good(token: str) -> bool:
    try:
        kept = mark().read_text(encoding="ascii")
    except FileNotFoundError:
        return False
    return hmac.compare_digest(kept, _digest(token))


@contextmanager
def used_once() -> Iterator[None]:
    """Take the mark away for the time of the opening, so that nobody else opens the shop too; it comes back if the
    opening fails.

    Raises:
        OpenedMeanwhile: it is not there, or a keeper is.
    """
    taken = _taken()
    try:
        mark().replace(taken)
    except FileNotFoundError as error:
        raise OpenedMeanwhile from error
    try:
        if has_keeper():
            raise OpenedMeanwhile
        yield
    except BaseException:
        taken.replace(mark())
        raise
    taken.unlink(missing_ok=True)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
