"""Pages of jobs: who may open and send what, what a refusal keeps, what a page costs, what the write-up says."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.catalog import trees
from shopkb.catalog.models import Platform
from shopkb.jobs.models import Job, Repair, Run, Verification
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, follow, get, mend, signed_in, words_of

ROLES = ["technician", "writer", "manager", "keeper"]
GONE = 999_999


def pages(run: Run) -> dict[str, str]:
    """Every page of the room that is opened by a link."""
    repair = Repair.objects.first() or mend(run.job, run.holder, cured=None)
    return {
        "list": reverse("jobs:list"),
        "new": reverse("jobs:new"),
        "job": reverse("jobs:job", args=[run.job_id]),
        "repair": reverse("jobs:repair", args=[run.job_id]),
        "write-up": reverse("jobs:write-up", args=[run.job_id]),
        "technical": reverse("jobs:technical", args=[run.job_id]),
        "verify": reverse("jobs:verify", args=[repair.pk]),
        "run": reverse("jobs:run", args=[run.pk]),
        "chart": reverse("jobs:chart", args=[run.pk]),
        "more": reverse("jobs:more", args=[run.pk]),
        "step": reverse("jobs:step", args=[run.pk, "press"]),
        "stop": reverse("jobs:stop", args=[run.pk]),
        "skip": reverse("jobs:skip", args=[run.pk, "press"]),
    }


def doors(run: Run) -> dict[str, str]:
    """Every address that only takes what is sent."""
    return {
        "complaint": reverse("jobs:complaint", args=[run.job_id]),
        "start": reverse("jobs:start", args=[run.job_id, "horn-silent"]),
        "close": reverse("jobs:close", args=[run.job_id]),
        "reopen": reverse("jobs:reopen", args=[run.job_id]),
        "meter": reverse("jobs:meter", args=[run.pk]),
        "take-over": reverse("jobs:take-over", args=[run.pk]),
        "move": reverse("jobs:move", args=[run.pk]),
        "value": reverse("jobs:value", args=[run.pk, "battery"]),
        "answer": reverse("jobs:answer", args=[run.pk, "press"]),
    }


# Who may


@pytest.mark.parametrize("role", ROLES)
def test_every_page_opens_for_each_role_and_changes_nothing(run: Run, second: User, role: str) -> None:
    second.role = role
    second.save()
    client = signed_in(second)
    for name, url in pages(run).items():
        response, _queries = get(client, url)
        assert response.status_code == 200, name


def test_without_signing_in_everything_leads_to_the_sign_in(run: Run, client: Client) -> None:
    for url in pages(run).values():
        response = client.get(url)
        assert (response.status_code, response["Location"]) == (302, f"/sign-in/?next={url}")
    for url in doors(run).values():
        response = client.post(url)
        assert (response.status_code, response["Location"]) == (302, f"/sign-in/?next={url}")
    assert run.results.count() == 0


def test_what_is_sent_without_our_token_is_refused(run: Run, junior: User) -> None:
    client = signed_in(junior, csrf=True)
    sent = doors(run) | {name: pages(run)[name] for name in ("new", "repair", "verify", "skip")}
    for name, url in sent.items():
        assert client.post(url, {"outcome": "click"}).status_code == 403, name
    run.refresh_from_db()
    assert (run.results.count(), run.state, Job.objects.count()) == (0, Run.State.UNDER_WAY, 1)


def test_a_link_to_a_door_does_nothing(run: Run, junior: User) -> None:
    """405, or back to the page for an address that a browser may load again after a refusal."""
    client = signed_in(junior)
    for name, url in doors(run).items():
        response, _queries = get(client, url)
        assert response.status_code == (302 if name in ("answer", "close", "value") else 405), name


@pytest.mark.parametrize("role", ROLES)
def test_only_some_roles_reopen(horn: Procedure, junior: User, second: User, role: str) -> None:
    job = builders.cured_job(horn, junior)
    second.role = role
    second.save()
    response = signed_in(second).post(reverse("jobs:reopen", args=[job.pk]))
    job.refresh_from_db()
    assert (response.status_code, job.is_open) == ((403, False) if role == "technician" else (302, True))
    if role == "technician":
        assert "Your role does not let you reopen closed jobs. These roles may: writer, manager, keeper." in words_of(
            response
        )


def test_what_is_not_there_is_not_found(run: Run, junior: User) -> None:
    client = signed_in(junior)
    for name, args in (
        ("job", [GONE]),
        ("job", [10**30]),
        ("repair", [GONE]),
        ("write-up", [GONE]),
        ("technical", [GONE]),
        ("verify", [GONE]),
        ("run", [GONE]),
        ("chart", [GONE]),
        ("step", [run.pk, "no-such-step"]),
        ("step", [GONE, "press"]),
        ("skip", [run.pk, "no-such-step"]),
    ):
        assert client.get(reverse(f"jobs:{name}", args=args)).status_code == 404, name
    for name, args in (
        ("answer", [run.pk, "no-such-step"]),
        ("start", [run.job_id, "no-such-procedure"]),
        ("start", [GONE, "horn-silent"]),
        ("close", [GONE]),
        ("reopen", [GONE]),
        ("stop", [GONE]),
        ("move", [GONE]),
        ("complaint", [GONE]),
        ("take-over", [GONE]),
    ):
        assert client.post(reverse(f"jobs:{name}", args=args)).status_code == 404, name


@pytest.mark.parametrize("odd", ["²", "-1", "x", "9" * 40, "0", "'"])
def test_odd_words_in_the_address_break_nothing(run: Run, junior: User, odd: str) -> None:
    client = signed_in(junior)
    for url, query in (
        (reverse("jobs:list"), {"words": odd, "page": odd, "state": odd}),
        (reverse("jobs:new"), {"procedure": odd}),
        (reverse("jobs:new"), {"comeback_of": odd}),
        (reverse("jobs:repair", args=[run.job_id]), {"result": odd}),
        (reverse("jobs:step", args=[run.pk, "press"]), {"typed": odd, "unit": odd}),
    ):
        assert client.get(url, query).status_code in (200, 404), url
    sent = {"came_from": odd, "client_id": odd, "meter": odd, "step": odd, "complaint_verified": odd}
    for name, url in doors(run).items():
        if name != "reopen":
            assert client.post(url, sent | {"outcome": odd, "typed": odd}).status_code in (302, 422), name


# Finding


def test_jobs_are_found_by_what_people_know(horn: Procedure, junior: User) -> None:
    client = signed_in(junior)
    job = builders.take_in(junior, registration="SB 77", vin="1M8GDM9AXKP042788", complaint="Hooter mute")
    builders.take_in(junior, registration="XX 1", complaint="Other")
    closed = builders.cured_job(horn, junior)
    for words in ("sb 77", "9AXKP0427", "hooter"):
        found = [row.pk for row in client.get(reverse("jobs:list"), {"words": words}).context["page"]]
        assert found == [job.pk], words
    assert job in client.get(reverse("jobs:list"), {"words": str(job.pk)}).context["page"]
    shown = {
        state: {row.pk for row in client.get(reverse("jobs:list"), {"state": state}).context["page"]}
        for state in ("open", "closed", "all")
    }
    assert shown["closed"] == {closed.pk}
    assert shown["all"] == shown["open"] | shown["closed"]
    assert len(shown["open"]) == 2


def test_htmx_gets_the_rows_alone(job: Job, junior: User) -> None:
    client = signed_in(junior)
    part = client.get(reverse("jobs:list"), headers={"HX-Request": "true"})
    assert "<html" not in part.content.decode()
    assert job.vehicle.registration in part.content.decode()
    assert "HX-Request" in part["Vary"]


# What a page costs


def test_lists_cost_the_same_with_one_job_and_with_forty(horn: Procedure, junior: User) -> None:
    client = signed_in(junior)
    builders.take_in(junior)
    builders.cured_job(horn, junior)

    def cost() -> dict[str, int]:
        urls = {"list": reverse("jobs:list"), "home": reverse("home")}
        return {name: get(client, url, state="all")[1] for name, url in urls.items()}

    cost()  # flows are remembered
    few = cost()
    for _ in range(38):
        builders.take_in(junior)
    assert cost() == few
    assert few["list"] <= 6
    assert few["home"] <= 10


def test_a_job_costs_the_same_with_one_result_and_with_forty(run: Run, horn: Procedure, junior: User) -> None:
    client, today = signed_in(junior), timezone.now() - timedelta(minutes=2)  # no card for a return after a break
    follow(run, TO_HORN[:1], junior, at=today)
    mend(run.job, junior, cured=Verification.Cured.NO)

    def cost() -> dict[str, int]:
        urls = {
            "job": reverse("jobs:job", args=[run.job_id]),
            "write-up": reverse("jobs:write-up", args=[run.job_id]),
            "step": reverse("jobs:step", args=[run.pk, "supply"]),
            "run": reverse("jobs:run", args=[run.pk]),
            "chart": reverse("jobs:chart", args=[run.pk]),
        }
        return {name: get(client, url)[1] for name, url in urls.items()}

    cost()
    few = cost()
    for _ in range(39):
        follow(run, TO_HORN[:1], junior, at=today)
    for _ in range(5):
        mend(run.job, junior, cured=Verification.Cured.NO)
    assert cost() == few
    assert few["step"] < 15
    assert few["write-up"] <= 15


def test_a_job_costs_the_same_with_one_run_and_with_twelve(run: Run, horn: Procedure, junior: User) -> None:
    client = signed_in(junior)
    follow(run, TO_GROUND, junior)

    def cost() -> dict[str, int]:
        urls = {
            "job": reverse("jobs:job", args=[run.job_id]),
            "write-up": reverse("jobs:write-up", args=[run.job_id]),
        }
        return {name: get(client, url)[1] for name, url in urls.items()}

    cost()
    few = cost()
    for _ in range(11):
        follow(builders.start(run.job, horn, junior), TO_GROUND, junior)
    assert cost() == few


def test_a_job_on_a_model_without_a_kind_says_why_no_procedure_is_offered(horn: Procedure, junior: User) -> None:
    horn.platforms.set([Platform.objects.get(path="curlew")])
    loose = trees.add(Platform, key="plover", name="Plover 20")
    for platform, says in ((loose, True), (Platform.objects.get(path="curlew/dunlin"), False)):
        job = builders.take_in(junior, platform=platform)
        response, _queries = get(signed_in(junior), reverse("jobs:job", args=[job.pk]))
        assert ("Plover 20 has no kind of vehicle above it yet" in words_of(response)) is says
