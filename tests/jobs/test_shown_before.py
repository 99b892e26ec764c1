"""A caution worked under a moment ago is a line; after a break, for somebody else or in other words it is whole."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, SafetyKind, Wording
from shopkb.core.flow.model import Flow
from shopkb.jobs.dangers import LONG_BREAK, cautions_in_force, shown_before
from shopkb.jobs.models import Run
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import HORN_TEXT, follow, put_in_force, signed_in, start, take_in, words_of
from tests.conftest import NOW

TEXT = HORN_TEXT.replace("procedure: horn-silent", "procedure: horn-warned")


@pytest.fixture
def run(yard: None, horn: Procedure, senior: User, second: User, junior: User) -> Run:
    """Ground and feed, both with the bumper off, under one caution."""
    text = TEXT.replace(
        "    needs: [supply]\n    reading: {quantity: voltage, unit: V, between: [ground pin",
        "    needs: [supply]\n    cautions: [isolate-before-power]\n"
        "    reading: {quantity: voltage, unit: V, between: [ground pin",
    )
    assert text.count("cautions: [isolate-before-power]") == HORN_TEXT.count("cautions: [isolate-before-power]") + 1
    procedure = put_in_force(text, senior, second)
    run = start(take_in(junior), procedure, junior)
    builders.following.record_value(run, "battery", "12.6", by=junior, at=NOW, client_id=builders.uuid.uuid4())
    follow(run, [("press", "click", ""), ("supply", "full", "12.4"), ("ground", "good", "0.05")], junior)
    return run


def before(run: Run, by: User, minutes: float) -> list[str]:
    (state,) = run_states_of(run.job)
    flow: Flow = state.flow
    step = flow.step_by_key["direct"]
    at = NOW + timedelta(minutes=3 + minutes)
    return [
        row.key for row in shown_before(flow, step, cautions_in_force(flow, step, ())[0], state.effective, by=by, at=at)
    ]


def test_a_moment_later_a_line_is_enough(run: Run, junior: User) -> None:
    assert before(run, junior, 1) == ["isolate-before-power"]


def test_who_left_the_step_out_has_not_worked_under_it(run: Run, junior: User) -> None:
    skipped = builders.say(run, "ground", skipped="no-time", onward="good")
    builders.following.record(run, skipped, by=junior, at=NOW + timedelta(minutes=3))
    assert before(run, junior, 1) == []


def test_after_a_long_break_it_is_whole(run: Run, junior: User) -> None:
    assert before(run, junior, LONG_BREAK.total_seconds() / 60 + 1) == []


def test_for_somebody_else_it_is_whole(run: Run, senior: User) -> None:
    assert before(run, senior, 1) == []


def test_a_danger_is_always_whole(run: Run, junior: User) -> None:
    Caution.objects.filter(key="isolate-before-power").update(signal=Caution.Signal.DANGER)
    assert before(run, junior, 1) == []


def test_in_other_words_it_is_whole(run: Run, junior: User, senior: User) -> None:
    Wording.objects.create(
        kind=SafetyKind.CAUTION, key="isolate-before-power", number=99, facts={}, since=NOW + timedelta(hours=1)
    )
    assert before(run, junior, 1) == []


def test_the_page_shows_it_as_a_line(run: Run, junior: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW + timedelta(minutes=4))
    page = signed_in(junior).get(reverse("jobs:run", args=[run.pk]))
    assert "WARNING : isolate before power, as before" in words_of(page)
    assert page.content.decode().count('class="caution ') == 0
