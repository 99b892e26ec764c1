"""Leaving a step out because it is not safe, what is handed over as excluded, and what a tick says."""

from __future__ import annotations

import uuid

import pytest
from django.urls import reverse
from django.utils.text import capfirst

from shopkb.accounts.models import User
from shopkb.catalog.facts import forget_facts
from shopkb.catalog.models import Access, System
from shopkb.core.flow.checks.catalog_view import AccessView, Catalog
from shopkb.core.flow.checks.step_hazards import riskier_ways
from shopkb.jobs.actions import following
from shopkb.jobs.actions.handing_over import HandOverNote, hand_over
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Result, Run, Verification
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from shopkb.web.humanize import percent
from tests.builders import TO_GROUND, TO_HORN, follow, mend, say, signed_in, start, take_in, words_of
from tests.conftest import NOW


@pytest.fixture
def run(horn: Procedure, junior: User) -> Run:
    """At the step after which the bumper comes off, which is dangerous here."""
    Access.objects.filter(key="bumper-off").update(hazards=["airbag"])
    System.objects.filter(path="body/horn").update(hazards=["spread-terminal"])
    forget_facts()
    return start(take_in(junior), horn, junior)


@pytest.mark.parametrize("reason", ["not-safe", "would-damage"])
def test_what_is_not_safe_does_not_lead_to_what_is_less_safe(run: Run, junior: User, reason: str) -> None:
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "press", skipped=reason, onward="click"), by=junior, at=NOW)
    assert str(refused.value).endswith(
        "with airbag or belt-tensioner circuit. Choose another way on, or leave the procedure here."
    )
    assert not Result.objects.exists()
    following.record(run, say(run, "press", skipped=reason, onward="sounds"), by=junior, at=NOW)


def test_for_another_reason_it_does(run: Run, junior: User) -> None:
    following.record(run, say(run, "press", skipped="no-tool", onward="click"), by=junior, at=NOW)


def test_both_pages_say_which_ways_these_are(run: Run, junior: User) -> None:
    client = signed_in(junior)
    said = '(airbag or belt-tensioner circuit; not after "not safe")'
    for name in ("jobs:skip", "jobs:pack-step"):
        assert words_of(client.get(reverse(name, args=[run.pk, "press"]))).count(said) == 1


def test_hazards_to_things_do_not_count(horn: Procedure) -> None:
    flow = flow_of(horn.revisions.get())
    catalog = Catalog(access={"bumper-off": AccessView("bumper-off", "", 1.0, frozenset({"live-ohms"}))})
    assert riskier_ways(flow, flow.step_by_key["press"], catalog) == {}


def test_only_what_a_result_ruled_out_is_handed_over_as_excluded(horn: Procedure, junior: User) -> None:
    """Each with that result; a cause that nobody tested is not excluded, however rare."""
    run = start(take_in(junior), horn, junior)
    page = signed_in(junior).get(reverse("jobs:hand-over", args=[run.pk]))
    assert page.context["form"].initial["excluded"] == ""
    follow(run, [*TO_HORN[:2], ("ground", "good", "0.05")], junior)
    page = signed_in(junior).get(reverse("jobs:hand-over", args=[run.pk]))
    lines = page.context["form"].initial["excluded"].splitlines()
    assert lines
    assert all(any(title in line for title in ("Press the button", "Voltage")) for line in lines), lines
    assert any("Ground carries the load, 0.05 V" in line for line in lines), lines


def test_the_same_procedure_followed_twice(horn: Procedure, junior: User) -> None:
    """What the first run ruled out is told although the second, opened again, has not come to that step."""
    job = take_in(junior)
    first = start(job, horn, junior)
    follow(first, [*TO_HORN[:2], ("ground", "good", "0.05")], junior)
    again = start(job, horn, junior)
    page = signed_in(junior).get(reverse("jobs:hand-over", args=[again.pk]))
    assert "0.05 V" in page.context["form"].initial["excluded"]


def test_who_takes_it_sees_values_and_what_was_left_out(horn: Procedure, junior: User, senior: User) -> None:
    run = start(take_in(junior), horn, junior)
    following.record(run, say(run, "press", skipped="no-tool", onward="click"), by=junior, at=NOW)
    note = HandOverNote("End of the shift.", uuid.uuid4())
    offered = hand_over(run, senior, note, by=junior, at=NOW)
    said = words_of(signed_in(senior).get(reverse("jobs:accept", args=[offered.pk])))
    assert "Left out" in said
    assert "left out: the tool for it is not here" in said
    assert "12.6" in said


def test_who_takes_up_anothers_work_was_not_here(horn: Procedure, junior: User, senior: User) -> None:
    run = start(take_in(junior), horn, junior)
    follow(run, TO_GROUND[:2], junior)
    assert "You were here" not in words_of(signed_in(senior).get(reverse("jobs:run", args=[run.pk])))


def test_a_tick_says_what_is_confirmed(horn: Procedure, junior: User) -> None:
    run = start(take_in(junior), horn, junior)
    follow(run, TO_GROUND, junior)
    said = words_of(signed_in(junior).get(reverse("jobs:run", args=[run.pk])))
    assert 'put back as it was: "Bumper off"' in said
    assert (
        "(optional)"
        not in words_of(signed_in(junior).get(reverse("jobs:job", args=[run.job_id])))
        .partition("Back in place, seen with your own eyes")[2]
        .partition("put back")[0]
    )


def test_an_answer_given_before_is_told_by_its_label(horn: Procedure, junior: User) -> None:
    run = start(take_in(junior), horn, junior)
    follow(run, TO_GROUND[:2], junior)
    said = words_of(signed_in(junior).get(reverse("jobs:step", args=[run.pk, "press"])))
    assert "You answered this: Relay clicks" in said


def test_a_reading_far_from_expected_is_asked_about_again(horn: Procedure, junior: User) -> None:
    """480 V over an earth joint is 480 mV read wrongly. It is kept once somebody says why it is right."""
    run = start(take_in(junior), horn, junior)
    follow(run, TO_GROUND[:2], junior)
    client, address = signed_in(junior), reverse("jobs:answer", args=[run.pk, "ground"])
    sent = {"client_id": str(uuid.uuid4()), "typed": "480", "unit": "V", "outcome": "bad"}
    page = client.post(address, sent)
    assert page.status_code == 422
    assert "480 V is far from what can be expected here (-60 to 60 V)" in words_of(page)
    looked = client.get(reverse("jobs:step", args=[run.pk, "ground"]), {"typed": "480", "unit": "V"})
    assert words_of(looked).count("is far from what can be expected here") == 1
    assert "If it is right, say how you know" in words_of(page)
    assert client.post(address, {**sent, "override_why": "Hybrid, and I was mad."}).status_code == 302
    assert Result.objects.latest("pk").verdict == "far from expected"


def test_who_takes_it_reads_notes_and_what_was_repaired(horn: Procedure, junior: User, senior: User) -> None:
    run = start(take_in(junior), horn, junior)
    following.record(
        run, say(run, "press", outcome="click", note="Clicks twice, the second time late."), by=junior, at=NOW
    )
    mended = mend(run.job, junior, cured=Verification.Cured.NO)
    offered = hand_over(run, senior, HandOverNote("End of the shift.", uuid.uuid4()), by=junior, at=NOW)
    said = words_of(signed_in(senior).get(reverse("jobs:accept", args=[offered.pk])))
    assert "Clicks twice, the second time late." in said
    assert f"{mended.cause}: not cured" in said
    assert "Ten times, as they said." in said


def test_what_is_left_of_a_chance_is_told_where_a_cause_is_all_but_excluded(horn: Procedure, junior: User) -> None:
    """One page of a job excluded a cause to which another gave one chance in twenty."""
    run = start(take_in(junior), horn, junior)
    follow(run, [*TO_HORN[:2], ("ground", "good", "0.05")], junior)
    page = signed_in(junior).get(reverse("jobs:hand-over", args=[run.pk]))
    lines = page.context["form"].initial["excluded"].splitlines()
    reasoning = reason(run.job, run_states_of(run.job), at=NOW)
    assert reasoning is not None
    left = tuple(f"{capfirst(row.name)}, {percent(row.probability)} left: " for row in reasoning.possible)
    assert lines
    assert [line for line in lines if not line.startswith(left)] == []
