"""Ten steps, eleven causes, six readings and a picture written by the pages alone, with a keyboard, and counted."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Locator, Page, expect

from shopkb.accounts.models import User
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.flow.names import cause_name
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of

from .conftest import OFFICE, Visits

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]

MOST_CLICKS, MOST_KEYS, MOST_LOADS = 120, 2_200, 15
"""What a writer may need for all of it: presses and choices, keystrokes, pages loaded (our own bound)."""

NEW = True


@dataclass(frozen=True, slots=True)
class CauseTyped:
    """A cause as it is sought, said and put right; ``new`` where the catalog does not have the part."""

    part: str
    mode: str
    usual: str
    minutes: str
    correction: str
    new: bool = NEW


@dataclass(frozen=True, slots=True)
class Found:
    """An outcome: its words, what is typed into its first and second box, and the cause it ends at, or "next"."""

    label: str
    low: str = ""
    high: str = ""
    cause: CauseTyped | None = None
    proof: str = ""


@dataclass(frozen=True, slots=True)
class StepTyped:
    """One card. ``kind`` and ``quantity`` are typed at their lists; ``between`` are the two points of a reading."""

    title: str
    kind: str
    minutes: str
    text: str
    found: tuple[Found, ...]
    quantity: str = ""
    between: tuple[str, str] = ("", "")
    access: str = ""


LINKAGE = CauseTyped("linkage", "linkage seized", "o", "60", "Free or renew the linkage.", new=False)
FUSE = CauseTyped("Wiper fuse", "blown", "c", "5", "Fit a fuse; find the overload.")
HOLDER = CauseTyped("Fuse holder", "open contact", "r", "30", "Renew the contact.")
EARTH = CauseTyped("Wiper earth", "corroded", "c", "20", "Clean and remake the joint.")
WINDING = CauseTyped("wiper motor", "open circuit", "c", "50", "Fit a motor.", new=False)
WORN = CauseTyped("wiper motor", "worn brushes", "o", "50", "Fit a motor.", new=False)
FEED = CauseTyped("Switch feed wire", "open circuit", "r", "45", "Repair the wire.")
SWITCH = CauseTyped("Wiper switch", "burnt contacts", "c", "30", "Fit a switch.")
PLUG = CauseTyped("Column plug", "corroded", "o", "25", "Clean the pins.")
RELAY = CauseTyped("Wiper relay", "burnt contacts", "c", "5", "Fit a relay.")
LOOM = CauseTyped("Wiper loom", "open circuit", "r", "90", "Repair the broken wire.")

VOLTS, MINUS = "voltage", "battery negative"
PROCEDURE = (
    StepTyped(
        "Switch the wipers on", "command", "1", "Ignition on, both speeds. Listen at the cowl, a hand on the arm.",
        (Found("Motor hums, arms stand", cause=LINKAGE), Found("All silent")), access="In the cabin",
    ),
    StepTyped(
        "Look at the wiper fuse", "look", "2", "Pull it, hold it to the light, and look at both blades.",
        (Found("Blown", cause=FUSE), Found("Whole")),
    ),
    StepTyped(
        "Voltage behind the fuse", "measure", "2", "Ignition on, fuse in, wipers switched to slow.",
        (Found("Full", low="11 V or more"), Found("None", high="11", cause=HOLDER)), VOLTS, ("fuse output", MINUS),
    ),
    StepTyped(
        "Voltage at the motor plug", "measure", "6", "Slow speed on. Probe from behind, plug connected.",
        (Found("Supply there", low="11"), Found("No supply", low="under 11")), VOLTS, ("plug pin 1", MINUS),
        access="Wiper cowl off",
    ),
    StepTyped(
        "Voltage lost on the earth", "measure", "3", "Slow speed on, meter from the body to the post.",
        (Found("Earth good", high="0.3"), Found("Drop too high", low="0.3 or more", cause=EARTH)),
        VOLTS, ("motor body", MINUS),
    ),
    StepTyped(
        "Resistance of the motor", "measure", "4", "Motor unplugged, arms in park. Turn the crank by hand once.",
        (Found("Open", low="20 or more", cause=WINDING), Found("Has a winding", low="under 20", cause=WORN)),
        "resistance", ("plug pin 1", "motor body"),
    ),
    StepTyped(
        "Voltage into the switch", "measure", "5", "Shroud off, ignition on, the plug left in place.",
        (Found("Full", low="11"), Found("None", low="below 11", cause=FEED)), VOLTS, ("switch pin 4", MINUS),
        access="Steering column shroud off",
    ),
    StepTyped(
        "Voltage out of the switch", "measure", "2", "Slow speed on, the lever held down as well.",
        (Found("Full", low="11"), Found("None", high="11", cause=SWITCH)), VOLTS, ("switch pin 2", MINUS),
    ),
    StepTyped(
        "Look at the column plug", "look", "3", "Part it. Look into both halves with a torch.",
        (Found("Green pins", cause=PLUG), Found("Clean pins")),
    ),
    StepTyped(
        "Swap the wiper relay", "substitute", "4", "Take a like one from the next socket. Try both speeds.",
        (Found("Wipers run", cause=RELAY), Found("Still nothing", cause=LOOM, proof="elimination")),
    ),
)  # fmt: skip


@dataclass
class Hand:
    """Somebody at the page. What the hands do is counted."""

    page: Page
    clicks: int = 0
    keys: int = 0
    loads: list[str] = field(default_factory=list)

    def click(self, what: Locator) -> None:
        self.clicks += 1
        what.click()

    def choose(self, what: Locator, label: str) -> None:
        self.clicks += 1
        what.select_option(label=label)

    def type(self, text: str) -> None:
        self.keys += len(text)
        self.page.keyboard.type(text)

    def press(self, key: str, times: int = 1) -> None:
        self.keys += times
        for _ in range(times):
            self.page.keyboard.press(key)

    def at(self, name: str) -> None:
        """The cursor is in this field."""
        expect(self.page.locator(f"[id='{name}']")).to_be_focused()

    def saved(self) -> None:
        self.page.wait_for_function("() => !saving.unsaved() && !document.querySelector('#card[data-locked]')")


def test_ten_steps_are_written_with_few_presses(visits: Visits, catalog: None, senior: User, second: User) -> None:
    page = visits.open(OFFICE, senior, path="/procedures/")
    hand = Hand(page)
    page.on("load", lambda where: hand.loads.append(where.url))
    hand.click(page.get_by_role("link", name="New procedure", exact=True))
    hand.click(page.get_by_label("Complaint or task in one line"))
    hand.type("Wipers do nothing")
    hand.choose(page.get_by_label("Vehicle system"), "– Wiper motor and linkage")
    hand.click(page.get_by_role("button", name="Begin writing"))
    hand.click(page.get_by_role("button", name="Add a step"))
    for number, step in enumerate(PROCEDURE):
        write_step(hand, step)
        lead_on(hand, number, step)
    finish(hand)
    page.locator("summary", has_text="How it will look").click()
    shown = page.get_by_role("img", name="Relay box, from above")
    expect(shown).to_be_visible()
    assert shown.evaluate("one => one.decode().then(() => one.naturalWidth)") == 640
    visits.shot(page, "ten-steps")
    check(flow_of(Revision.objects.get()))
    assert hand.clicks <= MOST_CLICKS
    assert hand.keys <= MOST_KEYS
    assert len(hand.loads) <= MOST_LOADS
    hand.click(page.get_by_role("button", name="Ask for review"))
    other = visits.open(OFFICE, second, path="/procedures/wipers-do-nothing/1/")
    other.get_by_role("button", name="Publish").click()
    expect(other.locator(".tag").first).to_have_text("published")


def write_step(hand: Hand, step: StepTyped) -> None:
    """Title, kind, access, minutes, text, reading, outcomes, bands, causes."""
    page = hand.page
    hand.at("s-title")
    hand.type(step.title)
    hand.press("Tab")
    hand.type(step.kind[:2])
    if step is PROCEDURE[0]:  # the steps after it begin where the one before was
        hand.choose(page.locator("#s-at"), "– Wiper motor and linkage")
    if step.access:
        hand.choose(page.locator("#s-access"), step.access)
    hand.saved()
    hand.click(page.locator("#s-minutes"))
    hand.type(step.minutes)
    hand.press("Tab")
    hand.at("s-instruction")
    hand.type(step.text)
    if step.quantity:
        hand.press("Tab", 2)
        hand.at("s-quantity")
        hand.type(step.quantity[:3])
        hand.press("Tab", 3)
        hand.saved()
        hand.at("s-between-1")
        hand.type(step.between[0])
        hand.press("Tab")
        hand.type(step.between[1])
    hand.click(page.locator("#new-label"))
    for found in step.found:
        hand.type(found.label)
        hand.press("Enter")
        expect(page.locator(".outcome:not(.add) .label input").last).to_have_value(found.label)
        hand.at("new-label")
    hand.saved()
    if step.quantity:
        write_bands(hand, step)
    for place, found in enumerate(step.found, 1):
        if found.cause:
            write_cause(hand, place, found)
    hand.saved()
    while (missing := page.get_by_role("button", name=re.compile("^Add (DANGER|WARNING|CAUTION|NOTICE): "))).count():
        hand.click(missing.first)
        hand.saved()


def write_bands(hand: Hand, step: StepTyped) -> None:
    """Into the first box of the first outcome, then on by the tabulator: the second box, where it leads, and so on."""
    boxes = hand.page.locator(".outcome:not(.add) .ends")
    for place, found in enumerate(step.found):
        box = boxes.nth(place).locator("input")
        hand.click(box.nth(0 if found.low else 1))
        hand.type(found.low or found.high)
    hand.press("Tab")
    hand.saved()
    expect(hand.page.locator("[aria-invalid=true]")).to_have_count(0)


def write_cause(hand: Hand, place: int, found: Found) -> None:
    """In the dialog: sought, said, with what is known of it."""
    page, cause = hand.page, found.cause
    assert cause is not None
    hand.click(page.get_by_role("button", name=f"Cause for outcome {place}"))
    hand.at("nc-q")
    with page.expect_response(lambda answer: "/desk/cause/" in answer.url and "q=" in answer.url):
        hand.type(cause.part)
    known = page.get_by_role("radio", name=f"{cause.mode} body/wiper-motor")
    if cause.new:
        hand.click(page.get_by_role("radio", name="A part that is not in the list"))
        hand.press("Tab", 3)
    elif known.count():
        hand.press("Enter")
        expect(known).to_be_focused()
        expect(known).to_be_checked()
        hand.press("Tab")
    else:
        hand.click(page.get_by_role("radio", name="Wiper motor and linkage fails in a way"))
        hand.press("Tab")
    if cause.new or not known.count():
        hand.at("nc-mode")
        hand.type(cause.mode)
        hand.press("Tab")
    hand.at("nc-usual")
    hand.type(cause.usual)
    hand.press("Tab")
    hand.type(cause.minutes)
    hand.press("Tab", 2)
    hand.type(cause.correction)
    hand.press("Enter")
    expect(page.locator("#desk-dialog")).to_be_hidden()
    hand.saved()
    if found.proof:
        hand.choose(page.locator(".outcome:not(.add)").nth(place - 1).locator("[name$=-proof]"), found.proof)


def lead_on(hand: Hand, number: int, step: StepTyped) -> None:
    """Every outcome without a cause leads to a new step, written at once; one that splits is come back to."""
    page = hand.page
    open_ends = [place for place, found in enumerate(step.found, 1) if not found.cause]
    if step.title == "Resistance of the motor":  # the other branch of the step before last
        hand.click(page.get_by_role("link", name="Voltage at the motor plug"))
        expect(page.locator("#step-voltage-at-the-motor #card, #step-voltage-at-the-motor-plug #card")).to_be_visible()
        open_ends = [2]
    if open_ends and number < len(PROCEDURE) - 1:
        hand.click(page.get_by_role("button", name=f"New step for outcome {open_ends[0]}"))
        expect(page.get_by_label("Title of the step")).to_have_value("New step")


def finish(hand: Hand) -> None:
    """A picture where the cursor stands, how the cure is verified."""
    page = hand.page
    hand.click(page.locator("#s-instruction"))
    hand.press("Control+End")
    hand.keys += 1  # Control+V
    with page.expect_response(lambda answer: answer.url.endswith("/desk/picture/")):
        page.locator("#s-instruction").evaluate(PASTED)
    expect(page.locator("#s-instruction")).to_have_value(re.compile("What it shows"))
    hand.type("Relay box, from above")
    hand.click(page.locator("#d-head > summary"))
    hand.click(page.locator("#h-verify"))
    hand.type("Both speeds and the wash for a minute, screen wet.")
    hand.press("Tab")
    hand.saved()
    expect(page.locator("#desk-top")).to_contain_text("Ready to publish.")


PASTED = """async (text) => {
  const drawing = new OffscreenCanvas(640, 360);
  drawing.getContext("2d").fillRect(9, 9, 99, 99);
  const data = new DataTransfer(), picture = await drawing.convertToBlob({ type: "image/png" });
  data.items.add(new File([picture], "pasted.png", { type: "image/png" }));
  text.dispatchEvent(new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
}"""


def check(flow: Flow) -> None:
    """Everything that was typed is there."""
    assert sorted(step.title for step in flow.steps) == sorted(step.title for step in PROCEDURE)
    assert len(flow.causes) == 11
    assert all(cause.correction and cause.minutes for cause in flow.causes)
    assert sum(step.reading is not None for step in flow.steps) == 6
    bands = {outcome.band.text() for _, outcome in flow.branches if outcome.band}
    assert bands == {">= 11 V", "< 11 V", "< 0.3 V", ">= 0.3 V", ">= 20 ohm", "< 20 ohm"}
    by_title = {step.title: step for step in flow.steps}
    for typed in PROCEDURE:
        step = by_title[typed.title]
        assert (step.test.value, f"{step.minutes:g}") == (typed.kind, typed.minutes)
        assert step.instruction.startswith(typed.text)
        for found, outcome in zip(typed.found, step.outcomes, strict=True):
            assert outcome.label == found.label
            assert outcome.go.kind is (GoKind.CAUSE if found.cause else GoKind.STEP)
            if found.cause:
                cause = flow.cause_by_key[outcome.go.key]
                assert cause_name(cause.component, cause.mode).endswith(found.cause.mode)
    assert "![Relay box, from above](" in by_title["Swap the wiper relay"].instruction
