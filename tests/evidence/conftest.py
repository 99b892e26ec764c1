from collections.abc import Iterator

import pytest

from tests.builders import horn, yard

__all__ = ["committing", "horn", "yard"]


@pytest.fixture
def committing(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """What happens after a commit happens at once: a test's transaction never ends in one."""
    from django.db import transaction

    from shopkb.evidence.cache import clear_all

    monkeypatch.setattr(transaction, "on_commit", lambda do: do())
    clear_all()
    yield
    clear_all()
