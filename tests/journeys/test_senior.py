"""A senior technician writes: errors at their lines, a draft, a review by another person, a withdrawal for safety."""

from __future__ import annotations

import io
from urllib.parse import urlsplit

import pytest
import zxingcpp
from django.urls import reverse
from PIL import Image
from playwright.sync_api import Page, expect

from shopkb.accounts.models import User
from shopkb.jobs.models import Result, Run
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of

from .conftest import OFFICE, TABLET, Visits
from .scenes import FAN, LAMP, TO_CLICKS, fan_job

pytestmark = [pytest.mark.journey, pytest.mark.django_db(transaction=True)]

BROKEN = LAMP.replace(
    "test: look\n    at: cooling/temperature-sensor\n", "test: stare\n    at: cooling/temperature-sensor\n"
)
BROKEN = BROKEN.replace("minutes: 3\n", "minutes: soon\n")


def lines_of(text: str, *parts: str) -> list[int]:
    """The line on which each part stands first."""
    lines = text.splitlines()
    return [next(number for number, line in enumerate(lines, 1) if part in line) for part in parts]


def test_a_text_with_errors_becomes_a_published_procedure(
    visits: Visits, catalog: None, senior: User, second: User
) -> None:
    page = visits.open(OFFICE, senior, path="/procedures/")
    page.get_by_role("link", name="New procedure from a file").click()
    page.get_by_label("Procedure file").fill(BROKEN)
    page.get_by_label("What changed and why").fill("From the workshop's notes.")
    page.get_by_role("button", name="Save the draft").click()
    visits.refused()
    said = page.locator(".findings > li")
    for line in lines_of(BROKEN, "stare", "soon"):
        expect(said.filter(has_text=f"line {line}")).not_to_have_count(0)
    expect(page.get_by_label("Procedure file")).to_have_value(BROKEN)
    assert Procedure.objects.count() == 0
    page.get_by_label("Procedure file").fill(LAMP)
    page.get_by_role("button", name="Save the draft").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Temperature lamp stays dark")
    expect(page.locator(".tag")).to_have_text("draft")
    expect(page.locator(".chart-window > svg")).to_contain_text("by elimination")
    page.get_by_role("button", name="Ask for review").click()
    expect(page.locator(".tag")).to_have_text("in review")
    expect(page.locator(".messages")).to_contain_text("second person")
    other_person_publishes(visits, second, page)


def other_person_publishes(visits: Visits, second: User, page: Page) -> None:
    """The author may not; the other finds it on the front page and does."""
    page.get_by_role("button", name="Publish").click()
    expect(page.locator(".messages")).to_contain_text("A second person must review")
    other = visits.open(OFFICE, second)
    other.get_by_role("link", name="Temperature lamp stays dark").click()
    other.get_by_role("button", name="Publish").click()
    expect(other.locator(".tag")).to_have_text("published")
    expect(other.locator("main")).to_contain_text("reviewed by Second")
    other.goto(f"{visits.address}/procedures/?words=gauge+jumps+about")
    expect(other.locator("#offers")).to_contain_text("Temperature lamp stays dark")


@pytest.mark.one_database
def test_a_withdrawal_for_safety_stops_the_run_under_way(
    visits: Visits, shelf: dict[str, Procedure], junior: User, second: User
) -> None:
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    follower = visits.open(TABLET, junior, path=f"/jobs/runs/{run.pk}/")
    expect(follower.locator("button.answer").first).to_be_visible()
    page = visits.open(OFFICE, second, path=f"/procedures/{FAN}/")
    page.locator("summary", has_text="Withdraw this revision").click()
    page.get_by_label("Why it is withdrawn").fill("Step 6 can burn a hand.")
    page.get_by_label("For safety").check()
    page.get_by_role("button", name="Withdraw", exact=True).click()
    expect(page.locator(".tag")).to_have_text("withdrawn")
    expect(page.locator("main")).to_contain_text("Step 6 can burn a hand.")
    before = Result.objects.count()
    follower.get_by_role("textbox", name="Reading", exact=True).fill("0.02")
    follower.get_by_role("button", name="Check the reading").click()
    expect(follower.get_by_role("alert")).to_contain_text("withdrawn for safety")
    expect(follower.get_by_role("alert")).to_contain_text("Step 6 can burn a hand.")
    follower.locator("button.answer").first.click()
    visits.refused()
    expect(follower.locator("#refused")).to_contain_text("Step 6 can burn a hand.")
    assert Result.objects.count() == before
    page.goto(f"{visits.address}/procedures/?words=overheats")
    expect(page.locator("#offers")).not_to_contain_text("radiator fan does not run")


@pytest.mark.one_database
def test_a_new_draft_leaves_the_job_on_the_old_revision(
    visits: Visits, shelf: dict[str, Procedure], junior: User, senior: User, second: User
) -> None:
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(OFFICE, senior, path=f"/procedures/{FAN}/")
    page.get_by_role("button", name="New draft from this").click()
    page.get_by_role("link", name="Edit the text").click()
    text = page.get_by_label("Procedure file").input_value()
    page.get_by_label("Procedure file").fill(text.replace("Command both fan speeds", "Command the fan at both speeds"))
    page.get_by_label("What changed and why").fill("Plainer title.")
    page.get_by_role("button", name="Save the draft").click()
    expect(page.locator(".chart-window > svg")).to_contain_text("Command the")
    page.get_by_role("button", name="Ask for review").click()
    other = visits.open(OFFICE, second, path=page.url.removeprefix(visits.address))
    other.get_by_role("button", name="Publish").click()
    rows = other.get_by_role("region", name="Revisions").locator("tbody tr")
    expect(rows).to_have_count(2)
    expect(rows.nth(0)).to_contain_text("published")
    expect(rows.nth(1)).to_contain_text("replaced")
    follower = visits.open(TABLET, junior, path=f"/jobs/runs/{run.pk}/")
    expect(follower.locator("main")).to_contain_text("A newer revision (2) is published.")
    assert Run.objects.get(pk=run.pk).revision.number == 1
    follower.get_by_role("button", name="Move to it and keep my results").click()
    expect(follower.locator(".messages")).to_contain_text("Moved to revision 2")
    assert Run.objects.get(pk=run.pk).revision == Revision.objects.get(procedure=shelf[FAN], number=2)
    assert Run.objects.get(pk=run.pk).results.count() == len(TO_CLICKS)


@pytest.mark.looks
def test_every_code_on_the_paper_form_leads_back_to_its_step(
    visits: Visits, shelf: dict[str, Procedure], junior: User
) -> None:
    """Read by zxing-cpp (QR codes, ISO/IEC 18004) from a picture of the printed form, as a telephone's camera would."""
    page = visits.open(OFFICE, junior, path=f"/procedures/{FAN}/1/paper/")
    page.emulate_media(media="print")
    found = zxingcpp.read_barcodes(Image.open(io.BytesIO(page.screenshot(full_page=True))))
    flow = flow_of(shelf[FAN].revisions.get())
    wanted = {visits.address + reverse("procedures:step", args=[FAN, 1, step.key]) for step in flow.steps}
    assert {one.text for one in found} == wanted
    lowest = max(found, key=lambda one: one.position.top_left.y)
    page.goto(lowest.text)
    expect(page.get_by_role("heading", level=1)).to_contain_text(flow.steps[-1].title)
    assert urlsplit(page.url).path == reverse("procedures:step", args=[FAN, 1, flow.steps[-1].key])
