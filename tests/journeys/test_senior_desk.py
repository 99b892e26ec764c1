"""A senior technician at the desk: two on one draft, haste, a lost network, a refused field, and the rules of pages."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import Page, Route, expect

from shopkb.accounts.models import User
from shopkb.core.flow import editing
from shopkb.procedures import publishing
from shopkb.procedures.models import Picture, Procedure, Revision
from shopkb.procedures.picture_marks import marks_of
from shopkb.procedures.storing import flow_of
from tests.conftest import NOW

from .conftest import OFFICE, TABLET, Visits
from .scenes import FAN
from .test_every_page import AXE, looked_at

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]


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
    page.get_by_label("Title of the step").fill("Look")
    page.keyboard.press("Tab")
    expect(page.locator("#step-look #card")).to_be_visible()
    other = visits.open(OFFICE, second, path="/procedures/wipers-stay-still/1/desk/?step=look")
    with other.expect_response(lambda answer: answer.url.endswith("/desk/act/")):
        other.get_by_label("Minutes").fill("4")
    page.get_by_label("What to do").fill("Look at the linkage.")
    expect(page.get_by_label("Minutes")).to_have_value("4")  # two fields: both are kept, and shown
    expect(page.get_by_label("What to do")).to_have_value("Look at the linkage.")
    other.reload()
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
    page.get_by_role("button", name="Redo").click()
    expect(page.get_by_label("What to do")).to_have_value("Mine: look at the arm.")


def begun(visits: Visits, who: User) -> Page:
    """A new procedure with its first step, still without words."""
    page = visits.open(OFFICE, who, path="/procedures/new/desk/", service_workers="block")
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
    page.get_by_role("button", name="New step for outcome 2").click()
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
def test_a_part_chosen_before_the_search_answers_stays_chosen(visits: Visits, catalog: None, senior: User) -> None:
    page = begun(visits, senior)
    page.get_by_label("One more outcome").fill("It hums")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Cause for outcome 1").click()
    sought = page.get_by_label("Part, or how it fails")
    expect(sought).to_be_focused()
    late: list[Route] = []
    page.route("**/desk/cause/**", lambda route: late.append(route))
    with page.expect_request("**/desk/cause/**"):
        sought.fill("wiper motor")
    chosen = page.get_by_role("radio", name="A part that is not in the list")
    chosen.check()
    with page.expect_response("**/desk/cause/**"):
        late[0].continue_()
    expect(page.get_by_role("radio", name=re.compile("^Wiper motor"))).not_to_have_count(0)
    expect(chosen).to_be_checked()
    expect(chosen).to_be_focused()


SIZES = ((1440, 900), (1024, 768), (820, 1180))
COVERED = """() => {
  const wrong = [], kinds = ":is(input, select, textarea, button, summary)";
  for (const field of document.querySelectorAll(`#desk-steps ${kinds}:not([type=hidden], .heard, :disabled)`)) {
    if (!field.checkVisibility()) { continue; }
    field.focus();
    const box = field.getBoundingClientRect();
    const there = document.elementFromPoint(box.x + box.width / 2, box.y + 4);
    if (there !== field && !field.contains(there)) { wrong.push([field.id || field.textContent, there && there.id]); }
  }
  return wrong;
}"""


@pytest.mark.device
def test_a_range_that_is_none_is_told_at_its_field_and_stops_nothing(
    visits: Visits, shelf: dict[str, Procedure], senior: User
) -> None:
    revision = publishing.draft_from(shelf[FAN].revisions.get(), by=senior, at=NOW)
    page = visits.open(OFFICE, senior, path=reverse("procedures:desk", args=[FAN, 2]) + "?step=supply")
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate(COVERED) == [], f"covered at {width} px"
    low = page.locator("#o-weak-low")
    low.fill("about 11")
    page.locator("#s-minutes").fill("7")
    page.get_by_label("One more outcome").fill("Odd")
    page.keyboard.press("Enter")
    expect(page.locator("#o-odd-label")).to_be_visible()
    expect(low).to_have_attribute("aria-invalid", "true")
    expect(low).to_have_value("about 11")
    expect(low).to_be_focused()
    expect(page.locator("#o-weak-low-refused")).to_contain_text("'about 11' is not a range of readings")
    expect(page.locator("#desk-state")).to_have_text("Saved, but for 1 field that is not understood.")
    expect(page.locator("#desk-top")).to_be_in_viewport()
    low.fill("11 V or more")
    page.keyboard.press("Tab")
    expect(page.locator("#desk-state")).to_have_text("Saved.")
    expect(low).to_have_value("11")
    expect(low).not_to_have_attribute("aria-invalid", "true")
    revision.refresh_from_db()
    step = flow_of(revision).step_by_key["supply"]
    assert (step.minutes, step.outcome("odd").label) == (7, "Odd")
    assert (band := step.outcome("weak").band) and band.text() == ">= 11 V"


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
    page.context.set_offline(True)
    page.get_by_label("What to do").press_sequentially(" Then off.")
    page.get_by_label("One more outcome").fill("It hums")
    expect(page.locator("#desk-state")).to_contain_text("Your text is kept here")
    address = page.url
    page.close()  # as if the browser had been killed: nothing is asked
    page.context.set_offline(False)
    later = page.context.new_page()
    later.clock.set_fixed_time(datetime.now(UTC) + timedelta(minutes=1))
    later.goto(address)
    kept = later.get_by_role("region", name="Typed on this device before, and not saved yet")
    expect(kept).to_contain_text("Ear close, switch on. Then off.")
    with later.expect_response(lambda answer: answer.url.endswith("/desk/act/")):
        kept.get_by_role("button", name="Put it back into its fields").click()
    expect(later.locator("#desk-state")).to_have_text("Saved.")
    expect(kept).to_be_hidden()
    expect(later.get_by_label("One more outcome")).to_have_value("It hums")
    assert flow_of(Revision.objects.get()).steps[0].instruction == "Ear close, switch on. Then off."
    visits.forgiven("ERR_INTERNET_DISCONNECTED")


DROPPED = """(text) => {
  const data = new DataTransfer();
  data.items.add(new File(["procedure: lamp\\ntitel: Lamp\\n"], "lamp.yaml"));
  text.dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
}"""


@pytest.mark.device
def test_a_file_is_dragged_onto_the_text_and_a_line_is_found(visits: Visits, catalog: None, senior: User) -> None:
    page = visits.open(OFFICE, senior, path=reverse("procedures:new"))
    text = page.get_by_label("Procedure file", exact=True)
    long = {"name": "long.yaml", "mimeType": "text/plain", "buffer": b"x" * (2 * 1024 * 1024)}
    page.get_by_label("A file, chosen or dragged onto the text").set_input_files(long)
    expect(page.get_by_text("This is too long: 2.0 MiB")).to_be_visible()
    text.evaluate(DROPPED)
    expect(text).to_have_value("procedure: lamp\ntitel: Lamp\n")
    page.get_by_role("button", name="Save the draft").click()
    page.get_by_role("link", name="line 2").first.click()
    assert page.evaluate("String(getSelection())") == "titel: Lamp"
    visits.refused()


DRAGGED_PICTURE = """async (text) => {
  const drawing = new OffscreenCanvas(640, 360);
  const pen = drawing.getContext("2d");
  pen.fillStyle = "#778899";
  pen.fillRect(0, 0, 640, 360);
  const data = new DataTransfer(), picture = await drawing.convertToBlob({ type: "image/png" });
  data.items.add(new File([picture], "relay-box.png", { type: "image/png" }));
  for (const kind of ["dragover", "drop"]) {
    text.dispatchEvent(new DragEvent(kind, { dataTransfer: data, bubbles: true, cancelable: true }));
  }
}"""


def test_a_picture_is_dragged_into_the_step_and_gets_arrows_and_letters(
    visits: Visits, catalog: None, senior: User
) -> None:
    page = begun(visits, senior)
    page.locator("#s-instruction").fill("Pull the cover off.")
    page.locator("#s-instruction").evaluate(DRAGGED_PICTURE)
    expect(page.locator("#s-instruction")).to_have_value(re.compile(r"Pull the cover off[.]\n\n!\[What it shows\]"))
    page.keyboard.type("Relay box")
    page.keyboard.press("Tab")
    draft = Revision.objects.get(procedure__key="wipers-stay-still")
    expect(page.locator("#desk-state")).to_contain_text("Saved")
    page.reload()
    page.locator("#d-picture").scroll_into_view_if_needed()
    page.get_by_role("link", name="Arrows and letters on the picture: Relay box").click()
    paper = page.locator(".marking svg")
    expect(page.locator("[data-marks=last]")).to_be_visible()  # the script listens
    box = paper.bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] * 0.2, box["y"] + box["height"] * 0.3)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] * 0.7, steps=4)
    page.mouse.up()
    expect(page.get_by_label("Letter, mark 1", exact=True)).to_have_value("A")
    page.mouse.click(box["x"] + box["width"] * 0.8, box["y"] + box["height"] * 0.2)
    expect(page.get_by_label("Letter, mark 2", exact=True)).to_have_value("B")
    expect(page.locator(".marking svg text")).to_have_text(["A", "B"])
    page.get_by_role("button", name="Take the last away").click()
    expect(page.locator(".marking svg text")).to_have_text(["A"])
    page.get_by_label("Letter, mark 2", exact=True).fill("C")
    page.get_by_label("Points to, % from the left, mark 2", exact=True).fill("90")
    page.get_by_label("Points to, % from the top, mark 2", exact=True).fill("80")
    expect(page.locator(".marking svg text")).to_have_text(["A", "C"])
    pictures(visits, page, "picture-marks")
    page.evaluate(AXE)
    assert looked_at(page, "picture marks", vehicle=False) == []
    page.get_by_role("button", name="Keep it so").click()
    expect(page.locator("#s-instruction")).to_have_value(re.compile("Relay box"))
    kept = Picture.objects.exclude(of=None).get()
    assert [(mark.letter, round(mark.x), round(mark.y)) for mark in marks_of(kept)] == [("A", 60, 70), ("C", 90, 80)]
    draft.refresh_from_db()
    assert kept.name in flow_of(draft).steps[0].instruction
    page.goto(f"{visits.address}/jobs/try/wipers-stay-still/1/")
    assert page.get_by_role("img", name="Relay box").evaluate("picture => picture.decode().then(() => true)")
    visits.shot(page, "picture-marks-on-the-step")


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
        "desk-copy": reverse("procedures:desk-copy", args=[FAN, 2]) + f"?step=supply&from={FAN}",
        "trial": reverse("jobs:trial", args=[FAN, 2]),
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
        wrong += looked_at(page, name, vehicle=name == "trial")
        pictures(visits, page, name)
        if name == "desk-reading":
            page.emulate_media(color_scheme="light")
            page.get_by_role("button", name="Cause for outcome 1").click()
            expect(page.get_by_label("Part, or how it fails")).to_be_focused()
            wrong += looked_at(page, "desk-cause-dialog", vehicle=False)
    print(*wrong, sep="\n")
    assert wrong == []
