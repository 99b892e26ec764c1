"""A procedure without a step: what leads past it, what goes with it, and the page that makes it a draft."""

from __future__ import annotations

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.core.flow.model import Flow, GoKind, Proof
from shopkb.core.flow.paths import loops, reachable
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.improving.step_removal import CannotLeaveOut, without
from tests.builders import HORN_TEXT, cured_job, flow_from, get, signed_in, words_of

HORN = flow_from(HORN_TEXT)


def _goes(flow: Flow, step: str, outcome: str) -> tuple[GoKind, str]:
    go = flow.step_by_key[step].outcome(outcome).go
    return go.kind, go.key


def test_what_led_to_the_step_leads_where_its_answer_led() -> None:
    """supply: full goes to ground; ground: good goes to direct. Without ground, full goes to direct, and nothing names
    the ground any more."""
    left = without(HORN, "ground", "good")
    assert _goes(left.flow, "supply", "full") == (GoKind.STEP, "direct")
    assert [(step.key, outcome.key) for step, outcome in left.led_here] == [("supply", "full")]
    assert [cause.key for cause in left.gone_causes] == ["horn-ground"]
    assert "horn-ground" not in left.flow.cause_by_key and left.gone_steps == ()


def test_what_no_way_leads_to_any_more_goes_too() -> None:
    """As if the ground were always bad: direct is not met any more, and the ground is named by elimination."""
    left = without(HORN, "ground", "bad")
    assert _goes(left.flow, "supply", "full") == (GoKind.CAUSE, "horn-ground")
    assert left.flow.step_by_key["supply"].outcome("full").proof is Proof.ELIMINATION
    assert [step.key for step in left.gone_steps] == ["direct"]
    assert [cause.key for cause in left.gone_causes] == ["horn-open"]


def test_the_first_step_gives_way_to_the_next() -> None:
    assert without(HORN, "press", "click").flow.start == "supply"
    with pytest.raises(CannotLeaveOut, match=r"begins with this step\. Choose an answer that leads to another step\.$"):
        without(HORN, "press", "sounds")
    with pytest.raises(CannotLeaveOut, match=r"^This step has no such answer\."):
        without(HORN, "ground", "purple")


@given(st.data())
def test_what_remains_hangs_together(data: st.DataObject) -> None:
    """No loop, every step still met, no branch into the void, nothing needed that is gone."""
    step = data.draw(st.sampled_from(HORN.steps))
    outcome = data.draw(st.sampled_from(step.outcomes))
    try:
        flow = without(HORN, step.key, outcome.key).flow
    except CannotLeaveOut:
        assert step.key == HORN.start
        return
    keys = {one.key for one in flow.steps}
    assert loops(flow) == () and reachable(flow) == keys and step.key not in keys
    for one in flow.steps:
        assert set(one.needs) <= keys
        for each in one.outcomes:
            assert each.go.kind is not GoKind.STEP or each.go.key in keys
            assert each.go.kind is not GoKind.CAUSE or each.go.key in flow.cause_by_key


@pytest.fixture
def closed(horn: Procedure, junior: User) -> list[Job]:
    return [cured_job(horn, junior) for _ in range(3)]


def test_the_page_says_what_changes_and_makes_the_draft(closed: list[Job], horn: Procedure, keeper: User) -> None:
    client = signed_in(keeper)
    at = [horn.key, 1, "ground"]
    response, queries = get(client, reverse("reports:without", args=at))
    text = words_of(response)
    assert "found nothing in 3 jobs." in text and "goes straight on" in text
    assert "high resistance could no longer be found by this procedure" in text and queries <= 40
    made = client.post(reverse("reports:take-without", args=at), {"answer": "good"})
    assert made.url == reverse("procedures:desk", args=[horn.key, 2])
    draft = Revision.objects.get(procedure=horn, number=2)
    assert "ground" not in flow_of(draft).step_by_key and draft.why.startswith("Without “")


def test_a_manager_reads_it_and_a_writer_makes_it(horn: Procedure, manager: User, junior: User) -> None:
    at = [horn.key, 1, "ground"]
    client = signed_in(manager)
    assert "A writer can make a draft" in words_of(get(client, reverse("reports:without", args=at))[0])
    assert client.post(reverse("reports:take-without", args=at), {"answer": "good"}).status_code == 403
    assert signed_in(junior).get(reverse("reports:without", args=at)).status_code == 403


def test_an_answer_that_is_none_is_said(horn: Procedure, keeper: User) -> None:
    client = signed_in(keeper)
    at = [horn.key, 1, "press"]
    response, _queries = get(client, reverse("reports:without", args=at), answer="purple")
    assert "This step has no such answer." in words_of(response)
    client.post(reverse("reports:take-without", args=at), {"answer": "sounds"})
    assert horn.revisions.count() == 1
    assert client.get(reverse("reports:without", args=[horn.key, 1, "purple"])).status_code == 404
