"""A caution worked under a moment ago is a line; after a break, for somebody else or in other words it is whole."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, SafetyKind, Wording
from shopkb.core.flow.model import Flow
from shopkb.jobs.dangers import LONG_BREAK, CautionLine, as_shown, cautions_in_force, shown_before
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
    assert "WARNING isolate before power , as before" in words_of(page)
    assert page.content.decode().count('class="caution ') == 0


SIGNALS = st.sampled_from(list(Caution.Signal))


@given(st.lists(st.tuples(SIGNALS, st.sampled_from(["own", "before", "still"])), max_size=8))
def test_a_line_is_enough_only_for_what_was_worked_under_holds_still_or_hurts_nobody(
    given_rows: list[tuple[Caution.Signal, str]],
) -> None:
    """Each caution stands on the page once; a DANGER in whole, whatever came before it; the worst first."""
    rows = [(Caution(key=f"c{number}", signal=signal), how) for number, (signal, how) in enumerate(given_rows)]
    own, still = [row for row, how in rows if how != "still"], [row for row, how in rows if how == "still"]
    shown = as_shown(own, still, [row for row, how in rows if how == "before"])
    told = {row.key: how for row, how in rows}
    assert sorted(row.key for row in [*shown.whole, *(line.caution for line in shown.lines)]) == sorted(told)
    for row in shown.whole:
        assert row.signal == "DANGER" or (row.signal != "NOTICE" and told[row.key] == "own")
    for line in shown.lines:
        assert line.caution.signal != "DANGER"
        assert line.why == {"own": "", "before": "as before", "still": "still holds"}[told[line.caution.key]]
    weight = list(Caution.Signal.values)
    for ordered in (shown.whole, [line.caution for line in shown.lines]):
        assert [weight.index(row.signal) for row in ordered] == sorted(weight.index(row.signal) for row in ordered)


def test_a_notice_is_a_line_with_its_words_from_the_first_time_on(horn: Procedure, junior: User) -> None:
    """It speaks of what can be damaged, not of people; what can hurt them is a box."""
    run = start(take_in(junior), horn, junior)
    follow(run, [("press", "click", "")], junior)
    page = signed_in(junior).get(reverse("jobs:run", args=[run.pk]))
    (line,) = page.context["cautions"].lines
    assert line == CautionLine(Caution.objects.get(key="probe-terminals"))
    assert "NOTICE probe terminals read probe terminals. Mind: probe-terminals." in words_of(page)
    assert page.content.decode().count('class="caution ') == 0
