"""A database that cannot answer is told plainly, with status 503 and nothing about the program's insides."""

from __future__ import annotations

import pytest
from django.db import OperationalError
from django.test import Client

from shopkb.accounts.models import User
from shopkb.reports import home
from shopkb.upkeep import unavailable

SAID = {
    "database or disk is full": unavailable.FULL,
    "disk I/O error": unavailable.FULL,
    'could not extend file "base/1": No space left on device': unavailable.FULL,
    "database is locked": unavailable.BUSY,
    "canceling statement due to lock timeout": unavailable.BUSY,
    "connection failed: Connection refused": unavailable.AWAY,
    "terminating connection due to administrator command": unavailable.AWAY,
}


@pytest.mark.parametrize("said", SAID)
def test_the_words_fit_what_happened(junior: User, monkeypatch: pytest.MonkeyPatch, said: str) -> None:
    def fails() -> None:
        raise OperationalError(said)

    monkeypatch.setattr(home.Run.objects, "under_way", fails)
    client = Client(raise_request_exception=False)
    client.force_login(junior)
    response = client.get("/")
    page = response.content.decode().replace("&#x27;", "'")
    assert response.status_code == 503
    assert SAID[said] in page
    assert said not in page
