"""The whole job as a workshop lives it: a leak and a silent fan, with no network from booking in to the first check,
a repair that fails, a hand-over, one that cures, and the vehicle back four weeks later. Taps, characters and pages are
counted up to the first check."""

from __future__ import annotations

import io
import re
import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import Locator, Page, expect
from pypdf import PdfReader

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform, Symptom
from shopkb.jobs.actions import following
from shopkb.jobs.models import HandOver, Job, Run, Settlement
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests.builders import follow
from tests.door import Door

from .away import back, door, gone, unsent, visits
from .conftest import PHONE, TABLET, Screen, Visits
from .scenes import FAN
from .test_begun_away import travels
from .test_junior import answer, read, title

__all__ = ["door", "visits"]

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]

MOST_TAPS, MOST_CHARACTERS, MOST_PAGES = 27, 62, 12
"""From booking in to the first check. The page of an answer that waits counts like any other."""
REST = (
    ("box-feed", "none", "0.3"), ("mated", "good", "0.01"), ("plug-look", "clean", ""),
    ("motor-alone", "right", "17.2"),
    ("supply", "weak", "4.6"), ("contacts-drop", "bad", "4.1"),
)  # fmt: skip


class Hand:
    """One hand on the screen, with everything it does counted."""

    def __init__(self, page: Page) -> None:
        self.page, self.taps, self.characters, self.pages = page, 0, 0, 0
        page.on("load", self._loaded)

    def _loaded(self, _page: Page) -> None:
        self.pages += 1

    def tap(self, what: Locator) -> None:
        self.taps += 1
        what.click()

    def answer(self, words: str) -> None:
        self.tap(self.page.locator(".answer", has_text=re.compile(words)))

    def type(self, what: Locator, words: str) -> None:
        """Into a field that is tapped first."""
        self.taps += 1
        self.characters += len(words)
        what.fill(words)

    def choose(self, what: Locator, value: object) -> None:
        """From a list: one tap to open it and one to choose."""
        self.taps += 2
        what.select_option(str(value))


@pytest.fixture
def ahead(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[timedelta]]:
    """The server's clock; what is put in here is how far it goes ahead."""
    now, by = timezone.now, [timedelta(0)]

    def later() -> datetime:
        return now() + by[-1]

    monkeypatch.setattr(timezone, "now", later)
    yield by


@pytest.mark.parametrize("screen", [PHONE, TABLET], ids=lambda screen: screen.name)
def test_two_faults_a_failed_repair_and_a_comeback(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User, senior: User, screen: Screen,
    ahead: list[timedelta],
) -> None:  # fmt: skip
    page = visits.open(screen, junior, "dark" if screen is TABLET else "light", path="/jobs/new/")
    travels(page, "/jobs/begin/", f"/jobs/packs/{FAN}/1/", "/jobs/known-vehicles/")
    gone(page, door)
    hand = Hand(page)
    book_in(hand)
    find_leak_and_fuse(hand)
    repair_and_check(hand)
    visits.shot(page, f"two-faults-kept-{screen.name}")
    assert hand.taps <= MOST_TAPS
    assert hand.characters <= MOST_CHARACTERS
    assert hand.pages <= MOST_PAGES
    back(page, door)
    page.goto(f"{door.address}/jobs/outbox/")
    page.get_by_role("button", name="Send now").click()
    unsent(page, "all sent")
    run = Run.objects.get()
    pass_on(page, door, run, visits)
    page.context.close()
    other = visits.open(screen, senior, path=f"/jobs/hand-overs/{HandOver.objects.get().pk}/")
    cure(other, door, run, senior, visits)
    settle_and_close(other, door, run.job)
    look_at_the_paper(other, visits, screen)
    other.context.close()
    ahead.append(timedelta(days=28))
    again(visits.open(screen, junior, path="/jobs/new/"), run.job, visits, screen)
    assert broken_invariants() == []
    visits.forgiven("htmx:")


def book_in(hand: Hand) -> None:
    page = hand.page
    hand.type(page.get_by_label("Registration"), "sb41hot")
    hand.choose(page.get_by_label("Vehicle", exact=True), Platform.objects.get(path="curlew/dunlin/mk2/rush4").pk)
    hand.type(page.get_by_label("Complaint, in the customer's words"), "Ran hot, lost coolant")
    hand.choose(page.get_by_label("Symptom"), Symptom.objects.get(key="engine-overheats").pk)
    hand.tap(page.get_by_role("button", name="Open the job"))
    hand.tap(page.locator("#begin li", has_text="radiator fan does not run").get_by_role("button"))


def find_leak_and_fuse(hand: Hand) -> None:
    """The pressure falls, the fan is silent, and its fuse is blown; no network all the time."""
    page, box = hand.page, hand.page.get_by_role("textbox", name="Reading", exact=True)
    page.wait_for_url(re.compile("/steps/arrival/$"))
    hand.answer("Customer or codes say it ran hot")
    hand.answer("Coolant low")
    page.wait_for_url(re.compile("/steps/pressure/$"))
    hand.type(page.get_by_label(re.compile("Opening pressure")), "1.1")
    hand.tap(page.locator("form[data-value]").get_by_role("button", name="Save"))
    expect(page.locator(".answer", has_text="Pressure falls")).to_contain_text("under 1 bar")
    hand.type(box, "0.4")
    hand.answer("Pressure falls")
    page.wait_for_url(re.compile("/steps/fan-with-leak/$"))
    hand.answer("the high-speed relay clicks")
    page.wait_for_url(re.compile("/steps/fuse-drop/$"))
    hand.type(box, "12.4")
    hand.answer(r"^\s*2\s+Voltage across")
    page.wait_for_url(re.compile("/steps/why-fuse/$"))
    for ask in page.locator("[data-confirm]").all():
        hand.tap(ask)
    hand.type(page.get_by_label(re.compile("Power on the fan")), "240")
    hand.tap(page.locator("form[data-value]").get_by_role("button", name="Save"))
    hand.type(box, "17.2")
    hand.answer("Current right")
    title(page, "Fuse: blown")


def repair_and_check(hand: Hand) -> None:
    """The end fills in cause and proof; the fuse is renewed, and the fan stays silent."""
    page = hand.page
    hand.tap(page.get_by_role("link", name="Record the repair"))
    hand.tap(page.get_by_label(re.compile("Find any chafe")))
    hand.tap(page.get_by_role("button", name="Keep the repair, then verify"))
    title(page, "Is the complaint gone?")
    hand.tap(page.get_by_label("not cured: it is still there"))
    hand.type(page.get_by_label("Anything else that was checked"), "Fan still silent.")
    hand.tap(page.get_by_role("button", name="Keep it"))
    title(page, "Not sent yet")
    expect(page.locator("li.row > div > .about", has_not_text="sb41hot, ")).to_have_count(1)  # the booking-in itself


def pass_on(page: Page, door: Door, run: Run, visits: Visits) -> None:
    """Everything is known to the server: the leak as another fault, the failed repair, and what remains."""
    page.goto(f"{door.address}/jobs/{run.job_id}/")
    expect(page.locator("#not-cured")).to_contain_text("was put right and the complaint stayed")
    expect(page.locator("#findings")).to_contain_text("The cooling system loses pressure")
    visits.shot(page, f"two-faults-not-cured-{page.viewport_size['width']}")  # type: ignore[index]
    page.goto(f"{door.address}/jobs/runs/{run.pk}/hand-over/")
    expect(page.get_by_label("What is all but excluded")).to_have_value(re.compile("repaired, not cured"))
    expect(page.get_by_label("What is all but excluded")).not_to_have_value(
        re.compile("hoses", re.IGNORECASE)
    )  # it does leak
    page.get_by_label("To whom").select_option(label="Senior")
    page.get_by_label("Why you stop here").fill("The late shift takes over.")
    page.get_by_role("button", name="Hand over").click()
    expect(page.locator(".messages")).to_contain_text("It waits for Senior to accept.")


def cure(page: Page, door: Door, run: Run, senior: User, visits: Visits) -> None:
    """The fuse again, with the new one in: whole now. The rest leads to the relay."""
    expect(page.locator("main")).to_contain_text("The cooling system loses pressure: open")
    page.get_by_role("button", name="I, Senior, have seen what is off and unsafe").click()
    page.wait_for_url(re.compile(f"/jobs/runs/{run.pk}/"))
    page.goto(f"{door.address}/jobs/runs/{run.pk}/steps/fuse-drop/")
    read(page, "0.02")
    answer(page, "No voltage across the fuse")
    title(page, "Fan current, fed at the relay socket")
    page.goto("about:blank")
    following.record_value(run, "feed_wire", "4", by=senior, at=timezone.now(), client_id=uuid.uuid4())
    follow(run, REST, senior, at=timezone.now())
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    title(page, "Relay: burnt contacts")
    page.get_by_role("link", name="Record the repair").click()
    page.get_by_label("Fit a new relay of the same rating and terminal plan").check()
    page.get_by_role("button", name="Save the repair, then verify").click()
    page.get_by_label("cured: it is gone", exact=True).check()
    page.get_by_label("Anything else that was checked").fill("Fan came on twice.")
    page.get_by_role("button", name="Save").click()


def settle_and_close(page: Page, door: Door, job: Job) -> None:
    """The other fault is asked for before the job can be closed."""
    page.get_by_role("link", name="Deal with the other fault").click()
    title(page, "The cooling system loses pressure")
    page.get_by_label("advised for the next visit").check()
    page.get_by_label("In your words").fill("Radiator weeps.")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#close")).to_be_visible()
    for box in page.locator("input[name=back]").all():
        box.check()
    page.get_by_role("button", name="Close the job").click()
    expect(page.locator(".writeup")).to_be_visible()
    assert Settlement.objects.get().how == Settlement.How.ADVISED
    assert Job.objects.get(pk=job.pk).disposition == Job.Disposition.CURED


def look_at_the_paper(page: Page, visits: Visits, screen: Screen) -> None:
    """What cured stands first; the failed repair and the other fault are said plainly."""
    sheet = page.locator(".writeup").inner_text()
    assert sheet.index("burnt contacts") < sheet.index("Not the cause, or not the only one")
    for words in ("4.1 V", "17.2 A", "The cooling system loses pressure", "advised for the next visit"):
        assert words in sheet, words
    visits.shot(page, f"two-faults-paper-{screen.name}")
    sent = page.request.get(f"{page.url.partition('write-up')[0]}papers/write-up.pdf").body()
    for paper in (sent, page.pdf(prefer_css_page_size=True)):
        assert len(PdfReader(io.BytesIO(paper)).pages) == 1, "one sheet, signatures and all"


def again(page: Page, job: Job, visits: Visits, screen: Screen) -> None:
    """Four weeks later: the registration is enough to find the job that did not last."""
    page.get_by_label("Registration").press_sequentially("sb41hot")
    expect(page.locator("#known")).to_contain_text("has been here before")
    page.get_by_label("Symptom").select_option(str(Symptom.objects.get(key="engine-overheats").pk))
    page.get_by_label(re.compile(f"yes, job {job.pk}")).check()
    page.get_by_label("Complaint, in the customer's words").fill("Hot again.")
    page.get_by_role("button", name="Open the job").click()
    came = page.locator("#came-back")
    expect(came).to_contain_text("burnt contacts")
    expect(came).to_contain_text("4.1 V")
    visits.shot(page, f"two-faults-comeback-{screen.name}")
    page.locator("li.row", has_text="radiator fan does not run").get_by_role("button").click()
    expect(page.locator(".possible")).to_contain_text("Percentages begin with job")
    assert Job.objects.latest("pk").comeback_of == job
