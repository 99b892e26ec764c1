"""A value that was asked once is seen and corrected, and the answers that it changes are named."""

from __future__ import annotations

import json
import uuid

import pytest
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.core.flow.model import AskedValue
from shopkb.jobs.answering import read_value
from shopkb.jobs.errors import Unreadable
from shopkb.jobs.models import Run, RunValue
from shopkb.jobs.templatetags.kept_rules import asked_rules
from shopkb.procedures.models import Procedure
from tests.builders import follow, signed_in, start, take_in, words_of


@pytest.fixture
def run(horn: Procedure, junior: User) -> Run:
    """A battery of 12.6 V; the supply of 12.4 V is full by it."""
    run = start(take_in(junior), horn, junior)
    follow(run, [("press", "click", ""), ("supply", "full", "12.4")], junior)
    return run


def correct(client: Client, run: Run, typed: str) -> str:
    sent = {"client_id": str(uuid.uuid4()), "correct": "yes", "typed": typed}
    return words_of(client.post(reverse("jobs:value", args=[run.pk, "battery"]), sent, follow=True))


def test_what_was_given_is_shown(run: Run, junior: User) -> None:
    said = words_of(signed_in(junior).get(reverse("jobs:more", args=[run.pk])))
    assert "Battery voltage with all loads off" in said
    assert "12.6 V" in said
    assert "Correct it" in said


def test_a_correction_is_a_row_of_its_own_and_names_what_it_changes(run: Run, junior: User) -> None:
    said = correct(signed_in(junior), run, "13.9")
    assert "Corrected. What was given before stays on record." in said
    assert 'its reading gives "Supply low", and you answered "Full supply"' in said
    assert list(RunValue.objects.order_by("pk").values_list("typed", flat=True)) == ["12.6", "13.9"]
    assert "; corrected" in said


def test_one_that_changes_no_answer_says_nothing_more(run: Run, junior: User) -> None:
    assert "you answered" not in correct(signed_in(junior), run, "12.5")


def test_what_cannot_be_read_is_refused_and_stays_in_its_field(run: Run, junior: User) -> None:
    sent = {"client_id": str(uuid.uuid4()), "correct": "yes", "typed": "abc"}
    page = signed_in(junior).post(reverse("jobs:value", args=[run.pk, "battery"]), sent)
    assert page.status_code == 422
    assert 'value="abc" aria-invalid="true"' in page.content.decode()
    assert "Corrected" not in words_of(page)
    assert RunValue.objects.count() == 1


def test_only_whoever_follows_it_corrects(run: Run, junior: User, senior: User) -> None:
    assert "Correct it" not in words_of(signed_in(senior).get(reverse("jobs:more", args=[run.pk])))
    assert "Take it over first" in correct(signed_in(senior), run, "13.9")
    assert RunValue.objects.count() == 1


@pytest.mark.parametrize(
    ("typed", "why"), [("one", "'one' does not start with a number."), (" ", "Nothing was typed.")]
)
def test_a_value_that_cannot_be_read_is_asked_for_in_its_own_unit(run: Run, junior: User, typed: str, why: str) -> None:
    """Whoever types the pressure of a cap is told of no 12.7 V."""
    pressure = AskedValue("cap", "Opening pressure", "bar")
    with pytest.raises(Unreadable) as refused:
        read_value(pressure, typed)
    assert str(refused.value) == f"{why} Give a number in bar."


def test_what_a_limit_was_worked_out_from_is_told_without_its_key(run: Run, junior: User) -> None:
    words = words_of(signed_in(junior).get(reverse("jobs:step", args=[run.pk, "supply"])))
    assert "For the limits: 0." in words
    assert "feed drop" not in words and "feed_drop" not in words


@pytest.mark.parametrize(("unit", "typed"), [("bar", "-3"), ("degC", "-300"), ("W", "-5"), ("%", "-1")])
def test_a_value_under_all_that_there_is_is_refused(unit: str, typed: str) -> None:
    with pytest.raises(Unreadable, match="cannot be: nothing lies below"):
        read_value(AskedValue("given", "What it is", unit), typed)


def test_a_device_knows_the_same_bound() -> None:
    rules = json.loads(asked_rules(AskedValue("cap", "Opening pressure", "bar")))
    assert (rules["low"], rules["least"]) == (-1.1, "-1.1 bar")
