"""Closed jobs replayed through a draft, the test against the published one, and a better order made a draft."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from shopkb.accounts.models import User
from shopkb.core.flow import editing
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.hand_overs import NO_HAND_OVER_CAUSES
from shopkb.core.flow.model import Go, GoKind
from shopkb.evidence.learned_procedure import learned_procedure
from shopkb.jobs.closed_jobs import cases_of_procedure, closed_cases
from shopkb.jobs.models import Result
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.improving.cost_comparison import compare_costs
from shopkb.reports.improving.draft_views import replays
from tests.builders import take_in
from tests.conftest import FLOWS, NOW, stocked
from tests.journeys.scenes import FAN, TO_CONTACTS, TO_GROUND, cured_fan_job, fan_job
from tests.markup import one_line

REMEMBERED = 5
"""Session, person, the revision with its procedure, whether its evidence changed, and the fitted readings."""
GROUND, CONTACTS = ("cooling/fan/earth", "high resistance"), ("cooling/fan/relay", "burnt contacts")


@pytest.fixture
def fan(catalog: None, senior: User, second: User) -> Procedure:
    """The fan, with the method that it hands over to and what that hands over to."""
    keys = (
        FAN,
        "voltage-drop-method",
        "relay-and-control",
        "high-voltage-vehicle",
        "hot-though-fan-runs",
        "coolant-temperature-wrong",
        "coolant-in-oil",
        "fan-with-own-unit",
    )
    return stocked("fan", [FLOWS / f"{key}.yaml" for key in keys], senior, second)[FAN]


@pytest.fixture
def draft(fan: Procedure, senior: User, junior: User) -> Revision:
    """Three closed jobs, and a draft in which a bad ground leads out."""
    for way, cause in ((TO_GROUND, GROUND), (TO_GROUND, GROUND), (TO_CONTACTS, CONTACTS)):
        cured_fan_job(junior, fan, way, cause)
    revision = publishing.draft_from(fan.revisions.get(), by=senior, at=NOW)
    flow = editing.set_destination(flow_of(revision), "earth", "bad", Go(GoKind.OUT))
    return publishing.save_draft(revision, flow, by=senior, based_on=revision.checksum)


def test_a_draft_that_loses_a_cause_is_seen_to_lose_its_jobs(draft: Revision, fan: Procedure) -> None:
    found = replays(draft, fan.revisions.get(state="published"))
    assert found.old is not None
    assert found.test is not None
    assert (found.old.low, found.draft.high) == (1.0, pytest.approx(1 / 3))
    assert (found.test.both_end, found.test.only_old_right, found.test.only_new_right) == (3, 2, 0)
    assert found.test.p == pytest.approx(0.5)  # two of two by a fair coin, both ways: 2 x 1/4
    assert [one.after for one in found.differing] == ["reaches another end"] * 2


def test_the_pages_say_so_and_link_each_job(client: Client, draft: Revision, senior: User) -> None:
    client.force_login(senior)
    page = client.get(reverse("reports:replay", args=[FAN, draft.number])).content.decode()
    assert "Of 2 jobs where they differ the draft is right in 0 and the old one in 2: that may be chance" in page
    for one in replays(draft, draft.procedure.in_force).differing:
        assert reverse("jobs:job", args=[one.number]) in page
    order = client.get(reverse("reports:order", args=[FAN, draft.number]))
    assert order.status_code == 200


@pytest.mark.one_database
def test_the_draft_is_appraised_beside_the_published_one(client: Client, draft: Revision, senior: User) -> None:
    client.force_login(senior)
    address = reverse("reports:replay", args=[FAN, draft.number])
    assert f'hx-get="{address}?part=beside"' in client.get(address).content.decode()
    part = client.get(f"{address}?part=beside", headers={"HX-Request": "true"}).content.decode()
    whole = client.get(f"{address}?part=beside").content.decode()
    for page in (part, whole):
        assert "Difference, 80 % interval" in page
        assert "Minutes spent in steps that no verified job has done" in page
        assert "Chance that it takes fewer minutes" in page
    assert "<html" not in part
    assert "Of 3 jobs:" in whole


@pytest.mark.one_database
def test_the_same_revision_beside_itself_differs_in_nothing(draft: Revision) -> None:
    flow = flow_of(draft.procedure.revisions.get(state="published"))
    model = learned_procedure(flow, "x", behind=NO_HAND_OVER_CAUSES, month="2026-03").model
    found = compare_costs((flow, model), (flow, model), np.random.default_rng(1))
    assert found.difference is not None
    assert (found.difference.minutes.low, found.difference.minutes.high) == (0.0, 0.0)
    assert all(row.old == row.new for row in found.rows if row.old and "Chance" not in row.words)


def test_jobs_read_for_a_replay_are_those_that_learning_sees(draft: Revision, junior: User, fan: Procedure) -> None:
    """Jobs that came back, were answered anew, and are open, among them."""
    earlier = cured_fan_job(junior, fan, TO_GROUND, GROUND)
    fan_job(junior, fan, TO_CONTACTS)
    take_in(junior, comeback_of=earlier)
    whole = {case.job: case for case in closed_cases()}
    lean = cases_of_procedure(fan)
    assert [case.job for case in lean] == list(whole)
    assert any(case.came_back for case in lean)
    for case in lean:
        told = whole[case.job]
        assert (case.month, case.cause, case.claimed, case.came_back, case.verified) == (
            told.month, told.cause, told.claimed, told.came_back, told.verified,
        )  # fmt: skip
        assert [(one.procedure, one.step, one.outcome, one.skipped) for one in case.results] == [
            (one.procedure, one.step, one.outcome, one.skipped) for one in told.results
        ]


def test_a_draft_that_cannot_be_passed_through_says_why(client: Client, draft: Revision, senior: User) -> None:
    client.force_login(senior)
    flow = editing.set_destination(flow_of(draft), "earth", "bad", Go(GoKind.STEP, flow_of(draft).start))
    publishing.save_draft(draft, flow, by=senior, based_on=draft.checksum)
    for name in ("reports:replay", "reports:order"):
        assert b"loop" in client.get(reverse(name, args=[FAN, draft.number])).content


def test_a_technician_may_not(client: Client, draft: Revision, junior: User) -> None:
    client.force_login(junior)
    for name in ("reports:replay", "reports:order"):
        assert client.get(reverse(name, args=[FAN, draft.number])).status_code == 403
    assert client.post(reverse("reports:take-order", args=[FAN, draft.number])).status_code == 403


# Recent readings, on the procedure's page -----------------------------------------------------------------------


def test_readings_that_moved_within_their_band_are_told_in_one_more_query(
    client: Client, fan: Procedure, junior: User, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    """The contacts of the relay: bad every time, and losing less from year to year. Their limit follows each job's
    current, so none is named."""
    cured_fan_job(junior, fan, TO_CONTACTS, CONTACTS)
    done = Result.objects.get(step="contacts-drop")
    for days, reading in ((900, "4.1"), (20, "1.2")):
        for number in range(8):
            again = Result.objects.get(pk=done.pk)
            again.pk, again.client_id = None, uuid.uuid4()
            again.reading, again.at = Decimal(reading) + Decimal(number) / 100, timezone.now() - timedelta(days=days)
            again.save(force_insert=True)
    client.force_login(junior)
    number = fan.revisions.get(state="published").number
    address = reverse("reports:readings", args=[FAN, number])
    assert f'hx-get="{address}"' in client.get(reverse("procedures:procedure", args=[FAN])).content.decode()
    whole = client.get(address).content.decode()
    assert "Lower than before: half of 9 readings" in whole
    with django_assert_num_queries(REMEMBERED):
        part = client.get(address, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in part
    assert "in the last 6 months above 1.24 V, half of 8 earlier above 4.135 V" in part


# A better order, through the page --------------------------------------------------------------------------------

ROW = """\
procedure: lamp-dark
title: Lamp stays dark
system: cooling/fan
verify: Switch it on ten times.
causes:
  ground-open: {component: cooling/fan/earth, mode: open circuit, usual: rare, correction: Remake the joint.}
  relay-burnt: {component: cooling/fan/relay, mode: burnt contacts, usual: common, correction: Fit a new relay.}
  relay-welded: {component: cooling/fan/relay, mode: welded contacts, usual: common, correction: Fit a new relay.}
  relay-open: {component: cooling/fan/relay, mode: coil open, usual: common, correction: Fit a new relay.}
start: long
steps:
  long:
    title: Trace the ground along the loom
    test: look
    at: cooling/fan/earth
    minutes: 40
    instruction: Follow it.
    outcomes:
      open: {label: Open, go: ground-open, proof: seen}
      whole: {label: Whole, go: short}
  short:
    title: Look at the relay contacts
    test: look
    at: cooling/fan/relay
    minutes: 2
    instruction: Open it.
    outcomes:
      burnt: {label: Burnt, go: relay-burnt, proof: seen}
      welded: {label: Welded, go: relay-welded, proof: seen}
      open: {label: Coil open, go: relay-open, proof: seen}
      clean: {label: Clean, go: out}
"""


@pytest.fixture
def row(catalog: None, senior: User) -> Revision:
    flow = read_flow(ROW).flow
    assert flow is not None
    return publishing.start_draft(flow, by=senior, at=NOW)


def test_a_better_order_is_shown_with_its_limits_and_made_the_draft(
    client: Client, row: Revision, senior: User
) -> None:
    client.force_login(senior)
    address = reverse("reports:order", args=["lamp-dark", 1])
    page = one_line(client.get(address).content.decode())
    assert "Every order was weighed." in page
    assert "Not at all by changing the order alone: this is the quickest order that ends right as often" in page
    assert "(advised)" in page
    sure = f"{address}?part=sure&round=1&order={shown(page)}"
    assert f'hx-get="{sure}"'.replace("&", "&amp;") in page
    part = client.get(sure, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in part
    for whole in (part, client.get(sure).content.decode()):
        assert "Chance that right results fall by over 2 points" in whole
    given = {"round": "1", "order": shown(page), "based_on": row.checksum}
    answer = client.post(reverse("reports:take-order", args=["lamp-dark", 1]), given)
    assert answer["Location"] == reverse("procedures:desk", args=["lamp-dark", 1])
    row.refresh_from_db()
    flow = flow_of(row)
    assert flow.start == "short"
    assert flow.step_by_key["short"].outcome("clean").go == Go(GoKind.STEP, "long")
    assert flow.step_by_key["long"].outcome("whole").go == Go(GoKind.OUT)
    assert flow.step_by_key["short"].outcome("burnt").go == Go(GoKind.CAUSE, "relay-burnt")
    assert "None of them saves minutes" in client.get(address).content.decode()


def shown(page: str) -> str:
    """The order that the page offers to make a draft."""
    found = re.search(r'name="order" value="(\w+)"', page)
    assert found
    return found[1]


def test_an_order_never_overwrites_what_was_written_since_it_was_shown(
    client: Client, row: Revision, senior: User
) -> None:
    client.force_login(senior)
    seen, order = row.checksum, shown(client.get(reverse("reports:order", args=["lamp-dark", 1])).content.decode())
    row = publishing.save_draft(
        row, editing.change_step(flow_of(row), "short", {"minutes": "3"}), by=senior, based_on=seen
    )
    given = {"round": "1", "order": order, "based_on": seen}
    answer = client.post(reverse("reports:take-order", args=["lamp-dark", 1]), given, follow=True)
    assert "saved by somebody else" in answer.content.decode()
    row.refresh_from_db()
    assert flow_of(row).start == "long"


def test_the_search_goes_on_while_the_page_is_read(
    client: Client, row: Revision, senior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With room for one order in the first round, the page asks for the next by itself and can be asked by hand."""
    monkeypatch.setattr("shopkb.reports.improving.draft_views.ROUNDS", ((1, 1), (16, 100)))
    client.force_login(senior)
    address = reverse("reports:order", args=["lamp-dark", 1])
    page = client.get(address).content.decode()
    assert f'hx-get="{address}?round=2"' in page
    assert "minutes at the very most" in page
    part = client.get(f"{address}?round=2", headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in part
    assert "Every order was weighed." in part
    assert "Make this a draft" in part
