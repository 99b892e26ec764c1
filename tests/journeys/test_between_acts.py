"""What lies between acts that are permitted one by one: written, then published; changed, then followed."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, Proposal
from shopkb.jobs.models import Result, Run
from shopkb.procedures.models import Procedure, Revision
from tests import builders
from tests.builders import horn, yard
from tests.conftest import person
from tests.journeys.conftest import OFFICE, TABLET, Visits

pytestmark = [pytest.mark.journey, pytest.mark.one_database]
__all__ = ["horn", "yard"]
ALONE = "Read by nobody else."


def test_whoever_rewrites_what_waits_for_review_does_not_publish_it(
    visits: Visits, horn: Procedure, senior: User, second: User
) -> None:
    """Each may write, each may publish; nobody may publish words that only they have read."""
    author = visits.open(OFFICE, senior, path="/procedures/horn-silent/")
    author.get_by_role("button", name="New draft from this").click()
    author.get_by_role("link", name="Edit the text").click()
    rewriter = visits.open(OFFICE, second, path=author.url.removeprefix(visits.address))
    text = rewriter.get_by_label("Procedure file").input_value()
    rewriter.get_by_label("Procedure file").fill(text.replace("Press three times.", ALONE))
    rewriter.get_by_label("What changed and why").fill("Other words.")
    rewriter.get_by_role("button", name="Save the draft").click()
    rewriter.get_by_role("button", name="Ask for review").click()
    expect(rewriter.locator(".tag")).to_have_text("in review")
    rewriter.get_by_role("button", name="Publish").click()
    expect(rewriter.locator(".messages")).to_contain_text("You saved part of this revision")
    assert Revision.objects.get(procedure=horn, number=2).state == Revision.State.IN_REVIEW
    reader = visits.open(OFFICE, person("third", "writer"), path="/procedures/horn-silent/2/steps/press/")
    expect(reader.locator("main")).to_contain_text(ALONE)
    reader.goto(f"{visits.address}/procedures/horn-silent/2/")
    reader.get_by_role("button", name="Publish").click()
    expect(reader.locator(".tag").first).to_have_text("published")


def test_a_caution_changed_under_somebodys_hands_is_confirmed_anew(
    visits: Visits, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    """The page was given with the old words; the answer is taken only after the new ones were read."""
    Caution.objects.filter(key="probe-terminals").update(signal=Caution.Signal.DANGER, ask="The pins are free.")
    run: Run = builders.start(builders.take_in(junior), horn, junior)
    builders.follow(run, builders.TO_HORN[:1], junior)
    follower = visits.open(TABLET, junior, path=f"/jobs/runs/{run.pk}/steps/supply/")
    expect(follower.locator("main")).to_contain_text("The pins are free.")
    proposer = visits.open(OFFICE, senior, path=f"/admin/catalog/caution/{caution_number()}/change/")
    proposer.locator("#id_ask").fill("The pins are free, and the horn is unplugged.")
    proposer.locator("#id_why").fill("Seen to slip.")
    proposer.locator("input[name=_save]").click()
    expect(proposer.locator(".messagelist")).to_be_visible()
    assert Caution.objects.get(key="probe-terminals").ask == "The pins are free."
    own = visits.open(OFFICE, senior, path=f"/procedures/safety-words/{Proposal.objects.get().pk}/")
    expect(own.locator("main")).to_contain_text("A second person must confirm it")
    expect(own.get_by_role("button", name="Confirm: put it in force")).to_have_count(0)
    other = visits.open(OFFICE, second, path=own.url.removeprefix(visits.address))
    other.get_by_role("button", name="Confirm: put it in force").click()
    expect(other.locator(".messages")).to_be_visible()
    assert Caution.objects.get(key="probe-terminals").ask.endswith("unplugged.")
    follower.get_by_role("button", name="The pins are free.").click()
    expect(follower.locator("main")).to_contain_text("and the horn is unplugged")
    follower.get_by_role("button", name="and the horn is unplugged").click()
    expect(follower.get_by_role("textbox", name="Reading", exact=True)).to_be_visible()
    assert not Result.objects.filter(run=run, step="supply").exists()


def caution_number() -> int:
    return Caution.objects.get(key="probe-terminals").pk
