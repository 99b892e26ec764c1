"""The front page: what each role finds on it, and what it costs."""

from __future__ import annotations

import uuid

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.jobs.actions import closing, handing_over
from shopkb.jobs.models import Job, Run
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_OUT, follow, get, signed_in, words_of
from tests.conftest import NOW

HOME = "/"


def test_the_front_page_asks_for_a_sign_in(db: None, client: Client) -> None:
    assert client.get(HOME)["Location"] == f"/sign-in/?next={HOME}"


@pytest.mark.parametrize(
    ("role", "seen", "unseen"),
    [
        ("technician", ["Open jobs"], ["Drafts and reviews", "Closed this month", "Upkeep"]),
        ("writer", ["Open jobs", "Drafts and reviews"], ["Closed this month", "Upkeep"]),
        ("manager", ["Open jobs", "Closed this month"], ["Drafts and reviews", "Upkeep"]),
        ("keeper", ["Open jobs", "Drafts and reviews", "Closed this month", "Upkeep"], []),
    ],
)
def test_each_role_finds_its_own(horn: Procedure, second: User, role: str, seen: list[str], unseen: list[str]) -> None:
    second.role = role
    second.save()
    response, _queries = get(signed_in(second), HOME)
    page = words_of(response)
    assert [part for part in seen if part not in page] == []
    assert [part for part in unseen if part in page] == []


def test_own_runs_are_offered_to_go_on(horn: Procedure, junior: User, senior: User) -> None:
    job = builders.take_in(junior, registration="SB 77")
    run = builders.start(job, horn, junior)
    link = reverse("jobs:run", args=[run.pk])
    assert link in signed_in(junior).get(HOME).content.decode()
    assert link not in signed_in(senior).get(HOME).content.decode()
    follow(run, TO_OUT, junior)
    assert link not in signed_in(junior).get(HOME).content.decode()


def test_a_run_handed_over_is_offered_to_its_receiver(horn: Procedure, junior: User, senior: User) -> None:
    run: Run = builders.start(builders.take_in(junior, registration="SB 77"), horn, junior)
    words = handing_over.HandOverNote("End of shift.", uuid.uuid4())
    offered = handing_over.hand_over(run, senior, words, by=junior, at=NOW)
    link = reverse("jobs:accept", args=[offered.pk])
    assert link in signed_in(senior).get(HOME).content.decode()
    assert link not in signed_in(junior).get(HOME).content.decode()


def test_writers_find_their_drafts_and_what_waits_for_review(horn: Procedure, senior: User, second: User) -> None:
    draft = publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    link = reverse("procedures:revision", args=[horn.key, 2])
    assert link in signed_in(senior).get(HOME).content.decode()
    assert link not in signed_in(second).get(HOME).content.decode()
    publishing.ask_for_review(draft, by=senior)
    assert link in signed_in(second).get(HOME).content.decode()


def test_managers_find_how_this_months_jobs_were_closed(horn: Procedure, junior: User, manager: User) -> None:
    """Two closed this month, one in March 2026 long ago or yet to come."""
    now = timezone.now()
    for disposition in (Job.Disposition.DECLINED, Job.Disposition.DECLINED, Job.Disposition.UNSOLVED):
        closing.close_job(builders.take_in(junior), disposition, by=junior, at=now)
    early = now.replace(year=now.year - 1)
    closing.close_job(builders.take_in(junior), Job.Disposition.SENT_ELSEWHERE, by=junior, at=early)
    client = signed_in(manager)
    response = client.get(HOME)
    rows = response.context["month"]
    assert [(row["words"], row["jobs"]) for row in rows] == [
        ("repair declined by the customer", 2),
        ("not solved", 1),
    ]
    behind = [client.get(row["link"]).context["page"].paginator.count for row in rows]
    assert behind == [2, 1]
    assert response.context["shelf"] == 2


def test_the_front_page_costs_the_same_with_one_of_each_and_with_many(
    horn: Procedure, keeper: User, senior: User, second: User
) -> None:
    client = signed_in(keeper)

    def add() -> None:
        builders.start(builders.take_in(keeper), horn, keeper)
        run = builders.start(builders.take_in(senior), horn, senior)
        words = handing_over.HandOverNote("Lunch.", uuid.uuid4())
        handing_over.hand_over(run, keeper, words, by=senior, at=NOW)
        text = builders.HORN_TEXT.replace("procedure: horn-silent", f"procedure: h-{uuid.uuid4().hex[:8]}")
        publishing.start_draft(builders.flow_from(text), by=keeper, at=NOW)
        closing.close_job(builders.take_in(keeper), Job.Disposition.DECLINED, by=keeper, at=timezone.now())

    add()
    _page, few = get(client, HOME)
    for _ in range(39):
        add()
    assert get(client, HOME)[1] == few <= 11


def test_health_is_told_to_anybody(horn: Procedure, client: Client) -> None:
    response = client.get(reverse("health"))
    assert (response.status_code, response.json()) == (200, {"ok": True, "procedures": 2, "troubles": []})
    assert client.post(reverse("health")).status_code == 405
