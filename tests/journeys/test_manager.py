"""A manager in the office: open jobs, what was closed, what to change, who may do what."""

from __future__ import annotations

import csv
import io
import time
import uuid
from datetime import datetime, timedelta

import openpyxl
import pytest
from django.utils import timezone
from playwright.sync_api import Page, Route, expect

from shopkb.accounts.models import User
from shopkb.catalog.models import Symptom
from shopkb.core.flow.model import Proof
from shopkb.demo.job_import import import_past_jobs
from shopkb.demo.past_jobs import PastJob, PastRepair, PastResult, PastRun, PastValue
from shopkb.jobs.actions import closing
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from tests.builders import CONTROL_TEXT, HORN_TEXT, put_in_force, take_in, yard

from .conftest import OFFICE, PHONE, SCREENS, Visits
from .scenes import FAN, GROUND, TO_GROUND, cured_fan_job

__all__ = ["yard"]

pytestmark = [pytest.mark.journey, pytest.mark.django_db(transaction=True)]


def test_the_front_page_says_what_was_closed(
    visits: Visits, shelf: dict[str, Procedure], junior: User, manager: User
) -> None:
    cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND)
    page = visits.open(OFFICE, manager)
    row = page.get_by_role("row", name="cured and verified")
    expect(row).to_contain_text("1")
    expect(page.locator("main")).to_contain_text("11 procedures in force.")
    page.get_by_role("link", name="Jobs", exact=True).click()
    page.get_by_label("Which").select_option("closed")
    expect(page.locator("#rows")).to_contain_text("cured and verified")
    assert "state=closed" in page.url


def first_of(held: list[Route], page: Page) -> Route:
    """The request held back first, once it has arrived where it is held; at most 30 s are waited for it."""
    until = time.monotonic() + 30
    while not held:
        assert time.monotonic() < until, f"No request was held on {page.url}."
        page.wait_for_timeout(20)
    return held.pop(0)


@pytest.mark.device
def test_what_is_chosen_before_the_scripts_are_there_is_looked_up(
    visits: Visits, shelf: dict[str, Procedure], junior: User, manager: User
) -> None:
    cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND)
    page = visits.open(OFFICE, manager, service_workers="block")
    held: list[Route] = []
    page.route("**/htmx*.js", lambda route: held.append(route))
    with page.expect_request("**/htmx*.js"):
        page.goto(f"{visits.address}/jobs/", wait_until="commit")
    page.get_by_label("Which").select_option("closed")
    first_of(held, page).continue_()
    expect(page.locator("#rows")).to_contain_text("cured and verified")


@pytest.mark.device
@pytest.mark.parametrize("pressed", ["before the rows came", "while the rows came"])
def test_a_job_pressed_while_rows_are_looked_up_is_opened(
    visits: Visits, shelf: dict[str, Procedure], junior: User, manager: User, pressed: str
) -> None:
    job = cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND)
    page = visits.open(OFFICE, manager, path="/jobs/?state=all", service_workers="block")
    held: list[Route] = []
    page.route("**/jobs/?words=*", lambda route: held.append(route))
    page.route(f"**/jobs/{job.pk}/", lambda route: held.append(route))
    with page.expect_request("**/jobs/?words=*"):
        page.get_by_label("Registration, VIN, number or words").fill(job.vehicle.registration)
    page.locator("#rows a").first.hover()
    page.mouse.down()
    if pressed == "while the rows came":
        first_of(held, page).continue_()
        page.wait_for_timeout(300)
    with page.expect_request(f"**/jobs/{job.pk}/"):
        page.mouse.up()
    while held:
        held.pop(0).continue_()
        page.wait_for_timeout(300)
    expect(page.get_by_role("heading", level=1)).to_contain_text(job.vehicle.registration)


def test_a_closed_job_is_found_reopened_and_teaches_again(
    visits: Visits, shelf: dict[str, Procedure], junior: User, manager: User
) -> None:
    job = cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND)
    page = visits.open(OFFICE, manager, path="/jobs/?state=all")
    page.get_by_label("Registration, VIN, number or words").fill(job.vehicle.registration)
    expect(page.locator("#rows li")).to_have_count(1)
    page.locator("#rows a").first.click()
    page.get_by_role("button", name="Reopen").click()
    expect(page.locator(".messages")).to_contain_text("taken back")
    page.goto(f"{visits.address}/procedures/{FAN}/")
    expect(page.locator(".chart-window > svg")).not_to_contain_text("1 of 1")
    assert Job.objects.get().is_open


@pytest.mark.one_database
def test_a_manager_does_not_write_procedures(visits: Visits, shelf: dict[str, Procedure], manager: User) -> None:
    page = visits.open(OFFICE, manager, path=f"/procedures/{FAN}/")
    expect(page.get_by_role("button", name="New draft from this")).to_have_count(0)
    answer = page.request.get(f"{visits.address}/procedures/new/")
    assert answer.status == 403
    assert "Your role does not let you write procedures. These roles may: writer, keeper." in answer.text()


def test_a_month_is_taken_away_for_the_office_and_opens_as_the_record_is(
    visits: Visits, shelf: dict[str, Procedure], junior: User, manager: User
) -> None:
    """From the front page, as somebody does who was asked for it; in the files stands what the page says."""
    job = cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND)
    month = f"{timezone.localdate():%Y-%m}"
    page = visits.open(OFFICE, manager)
    page.get_by_role("link", name="Last month for the office").click()
    page.get_by_label("Month", exact=True).fill(month)
    page.get_by_role("button", name="Show").click()
    expect(page.locator("main")).to_contain_text("1 job was closed in")
    with page.expect_download() as taken:
        page.get_by_role("link", name="Download as spreadsheet").click()
    assert taken.value.suggested_filename == f"office-{month}.xlsx"
    book = openpyxl.load_workbook(io.BytesIO(taken.value.path().read_bytes()))
    head, row = (list(each) for each in book["jobs"].iter_rows(values_only=True))
    told = dict(zip(head, row, strict=True))
    assert (told["Job"], told["Registration"]) == (job.pk, job.vehicle.registration)
    assert told["Complaint"] == job.complaint
    assert told["Closed (time, Europe/London)"] == timezone.make_naive(job.closed_at).replace(microsecond=0)
    with page.expect_download() as taken:
        page.locator("#times").locator("..").get_by_role("link", name="Download CSV").click()
    assert taken.value.suggested_filename == f"office-{month}-times.csv"
    with taken.value.path().open(encoding="utf-8-sig", newline="") as file:
        works = [row["Work"] for row in csv.DictReader(file)]
    assert works == ["labour", "testing"]
    for screen in SCREENS:
        page.set_viewport_size({"width": screen.width, "height": screen.height})
        visits.shot(page, f"office-{screen.width}")


HARNESS = """\
  harness:
    title: Look along the harness
    test: look
    at: body/horn/earth
    access: bumper-off
    minutes: 6
    outcomes:
      sound: {label: Harness sound, go: ground}
      chafed: {label: Chafed at the joint, go: horn-ground, proof: seen}
"""
WITH_HARNESS = HORN_TEXT.replace(
    '>= battery - feed_drop * 1.3", go: ground', '>= battery - feed_drop * 1.3", go: harness'
)
WITH_HARNESS = WITH_HARNESS.replace("  ground:\n    title", f"{HARNESS}  ground:\n    title")
WAY = (
    ("press", "click", "", 1),
    ("supply", "full", "12.4", 4),
    ("harness", "sound", "", 6),
    ("ground", "bad", "0.9", 2),
)


def looked_along_the_harness(number: int, opened: datetime) -> PastJob:
    """It took six minutes; the fault was the ground, which the next step measured."""
    at, results = opened + timedelta(minutes=1), []
    for step, outcome, typed, minutes in WAY:
        at += timedelta(minutes=minutes)
        results.append(PastResult(step, at, "junior", outcome, typed=typed, meter="pocket" if typed else ""))
    repair = PastRepair(
        cause="body/horn/earth#high resistance", proof=Proof.MEASURED, correction="Joint remade.", at=at, who="junior",
        cured="cured", verified_at=at, how="Ten times.", found_at=(0, len(WAY) - 1),
    )  # fmt: skip
    values = (PastValue("battery", "12.6", opened, "junior"),)
    return PastJob(
        client_id=uuid.uuid4(), registration=f"SB {number:04d}", platform="curlew/dunlin", complaint="No horn.",
        opened_at=opened, opened_by="junior", closed_at=at + timedelta(minutes=30), closed_by="junior",
        disposition="cured", repairs=(repair,),
        runs=(PastRun("horn-silent", "junior", opened, tuple(results), values),),
    )  # fmt: skip


def test_a_suggestion_is_given_to_a_writer_who_says_what_became_of_it(
    visits: Visits, yard: None, junior: User, senior: User, second: User, manager: User
) -> None:
    put_in_force(CONTROL_TEXT, senior, second)
    put_in_force(HORN_TEXT, senior, second)
    symptom = Symptom.objects.get(key="horn-hoarse")
    now = timezone.now() - timedelta(days=2)
    for _ in range(5):
        job = take_in(junior, symptom=symptom, complaint="Horn croaks.", at=now)
        closing.close_job(job, Job.Disposition.UNSOLVED, by=junior, at=now)
    page = visits.open(OFFICE, manager, path="/figures/")
    row = page.get_by_role("row", name="5 jobs came in with “Horn sounds hoarse”")
    row.get_by_role("link", name="Decide").click()
    form = page.get_by_role("form", name="Give it to somebody")
    form.get_by_label("To").select_option("Senior")
    form.get_by_label("Remark").fill("A page will do.")
    visits.shot(page, "decide")
    form.get_by_role("button", name="Give it").click()
    expect(page.locator(".messages")).to_contain_text("Given to Senior by Manager: A page will do.")
    expect(page.get_by_role("region", name="In hand")).to_contain_text("Horn sounds hoarse")
    expect(page.get_by_role("region", name="What to change next")).to_have_count(0)
    page = visits.open(PHONE, senior, "dark")
    page.get_by_role("link", name="Horn sounds hoarse").click()
    done = page.get_by_role("form", name="It has been done")
    done.get_by_label("Remark").fill("It is the second branch of the silent horn now.")
    done.get_by_role("button", name="It is done").click()
    expect(page.locator(".messages")).to_contain_text("Done by Senior: It is the second branch")
    expect(page.get_by_text("Given to you to change")).to_have_count(0)


def test_a_step_that_found_nothing_is_out_of_the_draft_in_three_actions(
    visits: Visits, yard: None, junior: User, senior: User, second: User, keeper: User
) -> None:
    """At most six were asked for."""
    put_in_force(CONTROL_TEXT, senior, second)
    put_in_force(CONTROL_TEXT, senior, second)
    put_in_force(WITH_HARNESS, senior, second)
    since = timezone.now() - timedelta(days=30)
    past = [looked_along_the_harness(number, since + timedelta(hours=number)) for number in range(120)]
    assert [done.jobs for done in import_past_jobs(past, by=keeper)] == [120]
    page = visits.open(OFFICE, keeper)
    page.get_by_role("link", name="What to change next").click()
    row = page.get_by_role(
        "row", name="“Look along the harness” in Horn stays silent costs 6 min and found nothing in 120"
    )
    expect(row).to_be_visible()
    row.get_by_role("link", name="See the procedure without it, and make that a draft").click()
    expect(page.locator("main")).to_contain_text("It costs 6 min each time and found nothing in 120 jobs.")
    expect(page.locator("main")).to_contain_text(
        "“Voltage at the connector: Full supply” goes straight on to “Voltage drop"
    )
    visits.shot(page, "without-a-step")
    page.get_by_role("button", name="Make a draft without it").click()
    expect(page.locator(".messages")).to_contain_text("The draft stands without the step.")
    draft = Revision.objects.get(state=Revision.State.DRAFT)
    assert page.url == f"{visits.address}/procedures/horn-silent/{draft.number}/desk/"
    assert "harness" not in flow_of(draft).step_by_key and flow_of(draft).step_by_key["ground"]
