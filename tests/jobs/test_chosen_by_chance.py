"""A step chosen by chance: told on the page, noted with the job, switched off by one setting."""

from __future__ import annotations

import uuid
from collections.abc import Sequence

import pytest
from django.conf import settings
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.core.diagnosis.advice import exploring
from shopkb.core.diagnosis.advice.next_action import TestOption
from shopkb.jobs import reasoning
from shopkb.jobs.event import Event
from shopkb.jobs.models import Run
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.conftest import NOW

SAID = "Chosen by chance"
BEFORE = (("press", "click", ""), ("supply", "full", "12.4"))


def always(patch: pytest.MonkeyPatch) -> None:
    """Chance always decides, and never for the written step; whatever its minutes, another is taken for an equal."""

    def other(*args: object, **_: object) -> TestOption:
        equals: tuple[TestOption, Sequence[TestOption]] = args[3]  # type: ignore[assignment]
        return equals[1][0]

    patch.setattr(settings, "CHANCE_PERCENT", 100)
    patch.setattr(exploring, "NEAR", 100.0)
    patch.setattr(reasoning, "chosen_by_chance", other)


@pytest.fixture
def run(horn: Procedure, junior: User, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Before the test of the earth. Feeding the horn from outside is more dangerous: here it is taken for as safe all
    the same."""
    always(monkeypatch)
    monkeypatch.setattr(reasoning, "steps_as_safe", lambda flow, *_: frozenset(flow.step_by_key))
    begun = builders.start(builders.take_in(junior), horn, junior)
    builders.follow(begun, BEFORE, junior)
    return begun


def page(run: Run, by: User, step: str) -> str:
    return builders.signed_in(by).get(reverse("jobs:step", args=[run.pk, step])).content.decode()


def test_it_is_said_in_one_sentence_and_noted_with_the_job(run: Run, junior: User) -> None:
    told = page(run, junior, "ground")
    assert SAID in told and reverse("jobs:step", args=[run.pk, "direct"]) in told
    assert "so that no test stays untried" in told
    assert 'name="by_chance" value="yes"' not in told
    assert 'name="by_chance" value="yes"' in page(run, junior, "direct")
    client = builders.signed_in(junior)
    sent = {"outcome": "silent", "off_path": "yes", "by_chance": "yes", "client_id": str(uuid.uuid4())}
    assert client.post(reverse("jobs:answer", args=[run.pk, "direct"]), sent).status_code == 302
    (event,) = Event.objects.filter(run=run, kind=Event.Kind.BY_CHANCE)
    assert event.words == "Feed the horn from the battery"
    assert event.record == run.results.get(step="direct").pk
    assert broken_invariants() == []


def test_an_answer_in_the_written_order_is_never_noted_as_chosen_by_chance(run: Run, junior: User) -> None:
    answer = builders.say(run, "ground", "bad", "0.5", by_chance=True)
    builders.following.record(run, answer, by=junior, at=NOW)
    assert not Event.objects.filter(kind=Event.Kind.BY_CHANCE).exists()


def test_the_same_place_in_a_run_is_told_the_same(run: Run, junior: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settings, "CHANCE_PERCENT", 50)
    assert len({SAID in page(run, junior, "ground") for _ in range(4)}) == 1


def test_nothing_is_chosen_by_chance_where_the_shop_has_switched_it_off(
    run: Run, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settings, "CHANCE_PERCENT", 0)
    assert SAID not in page(run, junior, "ground")
    assert "by_chance" not in page(run, junior, "direct")


def test_nor_where_the_other_step_is_more_dangerous(run: Run, junior: User, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the real rule: feeding a part from outside can push current back into a control unit."""
    monkeypatch.undo()
    always(monkeypatch)
    assert SAID not in page(run, junior, "ground")
