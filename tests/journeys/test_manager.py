"""A manager in the office: open jobs, what was closed, who may do what."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from shopkb.accounts.models import User
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure

from .conftest import OFFICE, Visits
from .scenes import FAN, TO_GROUND, cured_fan_job

pytestmark = [pytest.mark.journey, pytest.mark.django_db(transaction=True)]
GROUND = ("cooling/fan/ground", "high resistance")


def test_the_front_page_says_what_was_closed(
    visits: Visits, shelf: dict[str, Procedure], junior: User, manager: User
) -> None:
    cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND)
    page = visits.open(OFFICE, manager)
    row = page.get_by_role("row", name="cured and verified")
    expect(row).to_contain_text("1")
    expect(page.locator("main")).to_contain_text("3 procedures in force.")
    page.get_by_role("link", name="Jobs", exact=True).click()
    page.get_by_label("Which").select_option("closed")
    expect(page.locator("#rows")).to_contain_text("cured and verified")
    assert "state=closed" in page.url


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
    expect(page.locator(".chart svg")).not_to_contain_text("1 of 1")
    assert Job.objects.get().is_open


def test_a_manager_does_not_write_procedures(visits: Visits, shelf: dict[str, Procedure], manager: User) -> None:
    page = visits.open(OFFICE, manager, path=f"/procedures/{FAN}/")
    expect(page.get_by_role("button", name="New draft from this")).to_have_count(0)
    answer = page.request.get(f"{visits.address}/procedures/new/")
    assert answer.status == 403
    assert "Your role does not let you write procedures. These roles may: writer, keeper." in answer.text()
