"""A tablet on the bench: signed in once in the morning, it changes hands by PIN and locks when it lies idle."""

from __future__ import annotations

import re

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from shopkb.accounts.models import User
from shopkb.accounts.pins import set_pin
from shopkb.jobs.models import Job

from .conftest import TABLET, Visits
from .scenes import COMPLAINT
from .test_every_page import AXE, looked_at

pytestmark = [pytest.mark.journey, pytest.mark.django_db(transaction=True)]


def test_two_people_share_a_tablet(visits: Visits, catalog: None, junior: User, senior: User) -> None:
    set_pin(junior, "472913")
    set_pin(senior, "806152")
    page = visits.open(TABLET, path="/sign-in/")
    page.get_by_label("Username").fill("junior")
    page.get_by_label("Password").fill("junior-knows-it")
    page.get_by_text("Several people use this tablet").click()
    page.get_by_role("button", name="Sign in").click()

    page.get_by_role("link", name="Change person").click()
    page.evaluate(AXE)
    assert looked_at(page, "switch", True) == []
    page.emulate_media(color_scheme="light")
    page.set_viewport_size({"width": TABLET.width, "height": TABLET.height})
    visits.shot(page, "switch-tablet-light")
    page.get_by_text("Senior", exact=True).click()
    page.get_by_label("PIN").fill("806152")
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_text("Senior", exact=True)).to_be_visible()

    page.goto(visits.address + reverse("jobs:new"))
    with page.expect_response("**/new/known/*"):  # looked up before it locks
        page.get_by_label("Registration").fill("SB 4711")
    page.route("**/new/known/*", lambda route: route.abort())  # an answer on its way would count as use
    page.get_by_label("Complaint, in the customer's words").fill(COMPLAINT)
    page.locator("select[name=platform]").select_option(index=1)
    page.context.clear_cookies(name="touched")  # as after a quarter of an hour
    page.get_by_role("button", name=re.compile("^Book in|^Open")).click()
    expect(page.get_by_role("heading", name="Locked because nobody was using it")).to_be_visible()
    expect(page.get_by_text("What you typed is kept on this page.")).to_be_visible()
    page.evaluate(AXE)
    assert looked_at(page, "locked", True) == []
    page.set_viewport_size({"width": TABLET.width, "height": TABLET.height})
    visits.shot(page, "locked-tablet-dark")
    page.get_by_label("PIN").fill("806152")
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_text(COMPLAINT)).to_be_visible()
    visits.shot(page, "send-again-tablet-dark")
    page.get_by_role("button", name="Send it now").click()
    expect(page).to_have_url(re.compile(r"/jobs/\d+/"))
    assert Job.objects.get().opened_by == senior
