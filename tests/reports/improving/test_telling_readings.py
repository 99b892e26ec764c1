"""Steps at which the reading itself counts, on the page of a procedure."""

from __future__ import annotations

from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.evidence.models import ReadingFit
from shopkb.procedures.models import Procedure
from tests.builders import get, in_force, signed_in, words_of
from tests.conftest import NOW

GROUND, HORN, RELAY = (
    "body/horn/earth#high resistance", "body/horn/horn#open circuit", "body/horn/relay#burnt contacts"
)  # fmt: skip


def test_the_page_says_what_was_read_with_each_cause(horn: Procedure, junior: User) -> None:
    address = reverse("reports:readings", args=[horn.key, in_force(horn).number])
    page, _ = get(signed_in(junior), address)
    assert "the reading itself counts" not in words_of(page)
    read = {GROUND: [0.6] * 20 + [0.8] * 20, HORN: [0.04] * 20 + [0.06] * 20, RELAY: [0.05] * 4}
    step = {"unit": "V", "scale": 0.02, "width": 0.1, "by_cause": read, "trust": 0.9}
    ReadingFit.objects.create(
        procedure=horn.key, fitted_at=NOW, steps={"ground": step, "supply": {**step, "trust": 0.05}}
    )
    page, _ = get(signed_in(junior), address)
    words = words_of(page)
    assert "Steps at which the reading itself counts" in words
    assert "0.6 to 0.8 V with earth: high resistance (40 readings)" in words
    assert "0.04 to 0.06 V with horn: open circuit (40 readings)" in words
    assert "burnt contacts" not in words.partition("Steps at which")[2]
