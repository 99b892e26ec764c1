"""Parts of a circuit added at the desk: a name that the file cannot hold is refused before it is stored."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from shopkb.procedures.models import Revision
from tests.procedures.test_desk import desk, draft

__all__ = ["desk", "draft"]

PART = {"do": "add", "piece": "fuse", "name": "Horn fuse", "behind": "battery+", "length": "2", "area": "1.5"}


def sent(client: Client, revision: Revision, **more: str) -> int:
    revision.refresh_from_db()
    address = reverse("procedures:desk-circuit", args=[revision.procedure.key, revision.number])
    return client.post(address, {**PART, "based_on": revision.checksum, **more}).status_code


@pytest.mark.parametrize("odd", ["\n", "\r", "\x0b", "\x85", "\u2028", "\ufffe", "\x7f", "\x01"])
@pytest.mark.parametrize("field", [{"name": "a{}b"}, {"piece": "relay", "switched_by": "a{}b"}], ids=["name", "switch"])
def test_a_name_that_no_file_holds_is_refused_and_the_draft_stays_readable(
    desk: Client, draft: Revision, field: dict[str, str], odd: str
) -> None:
    assert sent(desk, draft, **{name: text.format(odd) for name, text in field.items()}) == 422
    for page in ("desk-circuit", "desk", "revision"):
        assert desk.get(reverse(f"procedures:{page}", args=[draft.procedure.key, draft.number])).status_code == 200


def test_another_press_than_the_page_has_adds_the_part(desk: Client, draft: Revision) -> None:
    assert sent(desk, draft, do="no-such-press") == 302
