"""A senior technician at the desk: from an empty page to a published procedure with no YAML, and two on one draft."""

from __future__ import annotations

import io
from dataclasses import dataclass

import pytest
from django.urls import reverse
from PIL import Image
from playwright.sync_api import Page, Route, expect

from shopkb.accounts.models import User
from shopkb.core.flow import editing
from shopkb.core.flow.file.writer import write_flow
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from tests.conftest import NOW

from .conftest import OFFICE, TABLET, Visits
from .scenes import FAN
from .test_every_page import AXE, looked_at

pytestmark = [pytest.mark.journey, pytest.mark.django_db(transaction=True)]

STEPS = 12
MOST_ACTIONS = 160
"""Fields filled, choices made and buttons pressed for twelve steps (our own bound)."""


def by_hand() -> str:
    """What a person would write as a file for the same twelve questions."""
    head = (
        "procedure: wipers-stay-still\ntitle: Wipers stay still\nsystem: body/wiper-motor\n"
        "verify: Run the wipers at both speeds for a minute.\ncauses:\n"
        "  wiper-motor-does-not: {component: body/wiper-motor, mode: does not answer, "
        "correction: Mend the wiper circuit.}\n"
        "start: question-1\nsteps:\n"
    )
    return head + "".join(_step(number) for number in range(1, STEPS + 1))


def _step(number: int) -> str:
    onward = f"question-{number + 1}" if number < STEPS else "out"
    bad = "wiper-motor-does-not, proof: seen"
    cautions = "    cautions: [stored-force]\n" if number == 1 else ""
    return (
        f"  question-{number}:\n    title: Question {number}\n    test: look\n    at: body/wiper-motor\n"
        f"    minutes: 1\n{cautions}    instruction: Look at place {number}.\n    outcomes:\n"
        f"      fine: {{label: Fine, go: {onward}}}\n      not-fine: {{label: Not fine, go: {bad}}}\n"
    )


@dataclass
class Hand:
    """A person at the page whose actions are counted. Each one is saved before the next begins."""

    page: Page
    actions: int = 0

    def fill(self, label: str, text: str) -> None:
        with self._saved():
            self.page.get_by_label(label, exact=True).first.fill(text)
            self.page.keyboard.press("Tab")

    def choose(self, label: str, value: str) -> None:
        with self._saved():
            self.page.get_by_label(label, exact=True).first.select_option(value)

    def add_outcome(self, label: str) -> None:
        self.page.get_by_label("One more outcome").fill(label)
        with self._saved():
            self.page.get_by_role("button", name="Add outcome").click()
        expect(self.page.locator(".outcome:not(.add) .label input").last).to_have_value(label)

    def _saved(self):  # type: ignore[no-untyped-def]
        self.actions += 1
        return self.page.expect_response(lambda answer: answer.url.endswith("/desk/act/"))


@pytest.mark.device
def test_twelve_steps_from_an_empty_page_to_published_without_yaml(
    visits: Visits, catalog: None, senior: User, second: User
) -> None:
    page = visits.open(OFFICE, senior, path="/procedures/")
    hand = Hand(page)
    page.get_by_role("link", name="New procedure", exact=True).click()
    page.get_by_label("Complaint or task in one line").fill("Wipers stay still")
    page.get_by_label("Vehicle system").select_option("body/wiper-motor")
    page.get_by_role("button", name="Begin writing").click()
    page.get_by_role("button", name="Add a step").click()
    hand.actions += 5
    for number in range(1, STEPS + 1):
        write_step(hand, number)
    finish(hand)
    expect(page.locator("#desk-chart .chart-window > svg")).to_contain_text("12")
    assert hand.actions <= MOST_ACTIONS
    print(f"{hand.actions} actions")
    put_in_a_picture(visits, page)
    revision = Revision.objects.get()
    assert write_flow(flow_of(revision)) == by_hand()
    pictures(visits, page)
    page.get_by_role("button", name="Ask for review").click()
    other = visits.open(OFFICE, second, path="/procedures/wipers-stay-still/1/")
    other.get_by_role("button", name="Publish").click()
    expect(other.locator(".tag")).to_have_text("published")


def write_step(hand: Hand, number: int) -> None:
    """One card: title, instruction, two outcomes, the good one leading to the next."""
    page = hand.page
    hand.fill("Title of the step", f"Question {number}")
    expect(page.locator(f"#step-question-{number} #card")).to_be_visible()
    hand.choose("Component", "body/wiper-motor")
    hand.fill("Minutes", "1")
    page.get_by_label("What to do").fill(f"Look at place {number}.")
    hand.add_outcome("Fine")
    hand.add_outcome("Not fine")
    if number == 1:
        with hand._saved():
            page.get_by_role("button", name="Add WARNING: stored force").click()
        expect(page.locator("summary", has_text="Cautions (1)")).to_be_visible()
        make_cause(hand)
    else:
        with hand._saved():
            page.locator("#o-not-fine-go").select_option("cause:wiper-motor-does-not")
    with hand._saved():
        page.locator("#o-fine-go").select_option("new-step" if number < STEPS else "out:")
    hand.actions += 1


def make_cause(hand: Hand) -> None:
    """Made on the spot: the component is where the step works."""
    page = hand.page
    page.locator("#o-not-fine-go").select_option("new-cause")
    page.get_by_label("Failure mode").or_(page.get_by_label("Or in other words")).fill("does not answer")
    page.get_by_role("button", name="Use this cause").click()
    expect(page.locator("#o-not-fine-proof")).to_have_value("seen")
    hand.actions += 3


def finish(hand: Hand) -> None:
    page = hand.page
    page.locator("summary", has_text="how the cure is verified").click()
    hand.fill(
        "How the cure is verified: the complaint's conditions, repeated", "Run the wipers at both speeds for a minute."
    )
    page.locator("summary", has_text="Causes (1)").click()
    hand.fill("Correction", "Mend the wiper circuit.")
    hand.actions += 2


def put_in_a_picture(visits: Visits, page: Page) -> None:
    """Into what to do, in words for those who cannot see it; shown where it will look; then undone."""
    page.locator("summary", has_text="Put a picture into what to do").click()
    body = io.BytesIO()
    Image.new("RGB", (640, 360), (90, 120, 30)).save(body, "PNG")
    page.get_by_label("Picture, JPEG, PNG or WebP").set_input_files(
        {"name": "place.png", "mimeType": "image/png", "buffer": body.getvalue()}
    )
    page.get_by_label("What it shows, in words").fill("Place 12, from below")
    page.get_by_role("button", name="Put it at the end").click()
    page.locator("summary", has_text="How it will look").click()
    shown = page.get_by_role("img", name="Place 12, from below")
    expect(shown).to_be_visible()
    assert shown.evaluate("one => one.decode().then(() => one.naturalWidth)") == 640
    assert shown.bounding_box()["width"] <= page.locator("#preview").bounding_box()["width"]  # type: ignore[index]
    visits.shot(page, "desk-picture")
    with page.expect_response(lambda answer: "/desk/undo/" in answer.url):
        page.get_by_role("button", name="Undo").click()
    expect(page.get_by_label("What to do")).to_have_value(f"Look at place {STEPS}.")


def pictures(visits: Visits, page: Page, name: str = "desk") -> None:
    for screen in (OFFICE, TABLET):
        page.set_viewport_size({"width": screen.width, "height": screen.height})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            visits.shot(page, f"{name}-{screen.name}-{scheme}")


def test_two_at_one_step_lose_no_text(visits: Visits, catalog: None, senior: User, second: User) -> None:
    page = visits.open(OFFICE, senior, path="/procedures/new/desk/")
    page.get_by_label("Complaint or task in one line").fill("Wipers stay still")
    page.get_by_label("Vehicle system").select_option("body/wiper-motor")
    page.get_by_role("button", name="Begin writing").click()
    page.get_by_role("button", name="Add a step").click()
    Hand(page).fill("Title of the step", "Look")
    expect(page.locator("#step-look #card")).to_be_visible()
    other = visits.open(OFFICE, second, path="/procedures/wipers-stay-still/1/desk/?step=look")
    with other.expect_response(lambda answer: answer.url.endswith("/desk/act/")):
        other.get_by_label("What to do").fill("Theirs: look behind the cowl.")
    page.get_by_label("What to do").fill("Mine: look at the arm.")
    expect(page.get_by_role("alert")).to_contain_text("Second saved this meanwhile")
    table = page.get_by_role("region", name="Both texts")
    expect(table).to_contain_text("Mine: look at the arm.")
    expect(table).to_contain_text("Theirs: look behind the cowl.")
    visits.shot(page, "desk-both-texts")
    page.get_by_role("button", name="Save my text").click()
    expect(page.get_by_label("What to do")).to_have_value("Mine: look at the arm.")
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_label("What to do")).to_have_value("Theirs: look behind the cowl.")


def begun(visits: Visits, who: User) -> Page:
    """A new procedure with its first step, still without words."""
    page = visits.open(OFFICE, who, path="/procedures/new/desk/")
    page.get_by_label("Complaint or task in one line").fill("Wipers stay still")
    page.get_by_label("Vehicle system").select_option("body/wiper-motor")
    page.get_by_role("button", name="Begin writing").click()
    page.get_by_role("button", name="Add a step").click()
    expect(page.locator("#step-new-step #card")).to_be_visible()
    return page


def slowly(page: Page, seconds: float = 0.4) -> None:
    """Every answer of saving comes late, as over a poor network."""

    def late(route: Route) -> None:
        page.wait_for_timeout(seconds * 1000)
        route.continue_()

    page.route("**/desk/act/", late)


@pytest.mark.device
def test_a_hasty_writer_loses_no_word_while_answers_are_slow(visits: Visits, catalog: None, senior: User) -> None:
    page = begun(visits, senior)
    slowly(page)
    page.keyboard.insert_text("Listen at the motor")
    page.get_by_label("Minutes").fill("2")
    page.get_by_label("What to do").press_sequentially("Ear close, switch on.", delay=15)
    page.get_by_label("One more outcome").fill("It hums")
    page.keyboard.press("Enter")
    page.get_by_label("What to do").press_sequentially(" Then off.", delay=60)
    page.get_by_label("One more outcome").fill("Silent")
    page.get_by_role("button", name="Add outcome").click()
    page.locator("#o-silent-note").fill("Feel the plug first.")
    page.locator("#o-silent-go").select_option("new-step")
    page.locator("#step-new-step #card").get_by_label("Title of the step").fill("Voltage at the plug")
    page.get_by_role("link", name="Listen at the motor").click()
    expect(page.locator("#step-listen-at-the-motor #card")).to_be_visible()
    first, second = flow_of(Revision.objects.get()).steps
    assert (first.title, first.minutes) == ("Listen at the motor", 2.0)
    assert first.instruction == "Ear close, switch on. Then off."
    assert [(one.label, one.note) for one in first.outcomes] == [("It hums", ""), ("Silent", "Feel the plug first.")]
    assert (second.key, second.title) == ("voltage-at-the-plug", "Voltage at the plug")
    assert first.outcome("silent").go.key == second.key


@pytest.mark.device
def test_words_typed_while_the_network_is_away_are_kept_and_sent(visits: Visits, catalog: None, senior: User) -> None:
    page = begun(visits, senior)
    page.context.set_offline(True)
    page.keyboard.insert_text("Listen at the motor")
    page.keyboard.press("Tab")
    expect(page.locator("#desk-state")).to_contain_text("Your text is kept here")
    page.get_by_label("What to do").fill("Ear close, switch on.")
    page.context.set_offline(False)
    expect(page.locator("#step-listen-at-the-motor #card")).to_be_visible()
    expect(page.locator("#desk-state")).to_have_text("Saved.")
    assert flow_of(Revision.objects.get()).steps[0].instruction == "Ear close, switch on."
    visits.forgiven("ERR_INTERNET_DISCONNECTED")


@pytest.mark.looks
def test_the_pages_of_the_desk_obey_the_rules(
    visits: Visits, shelf: dict[str, Procedure], senior: User, second: User
) -> None:
    revision = publishing.draft_from(shelf[FAN].revisions.get(), by=senior, at=NOW)
    desk = reverse("procedures:desk", args=[FAN, 2])
    pages = {
        "desk-new": reverse("procedures:desk-new"),
        "desk-closed": desk,
        "desk-reading": f"{desk}?step=supply",
        "desk-cause": reverse("procedures:desk-cause", args=[FAN, 2]) + "?step=supply&outcome=full",
        "remarks": reverse("procedures:remarks", args=[FAN, 2]),
        "compared": reverse("procedures:compared", args=[FAN, 2, 1]),
    }
    flow = editing.delete_step(flow_of(revision), "earth")
    publishing.save_draft(revision, flow, by=senior, based_on=revision.checksum)
    publishing.remark(revision, "supply", "Say which pin.", by=second, at=NOW)
    page = visits.open(OFFICE, senior)
    wrong: list[str] = []
    for name, address in pages.items():
        page.emulate_media(color_scheme="light")
        page.goto(visits.address + address)
        page.evaluate(AXE)
        wrong += looked_at(page, name, vehicle=False)
        pictures(visits, page, name)
    print(*wrong, sep="\n")
    assert wrong == []
