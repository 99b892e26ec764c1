"""A junior technician at the vehicle: from the customer's words to a proven cause, a cure and a write-up."""

from __future__ import annotations

import re

import pytest
from django.utils import timezone
from playwright.sync_api import Page, Route, expect

from shopkb.accounts.models import User
from shopkb.jobs.actions import closing
from shopkb.jobs.models import Job, Result
from shopkb.procedures.models import Procedure
from tests.builders import take_in
from tests.jobs.test_vin_codes import VIN as READ
from tests.jobs.test_vin_codes import bars, photo

from .conftest import OFFICE, PHONE, TABLET, Screen, Visits
from .scenes import FAN, GROUND, TO_CLICKS, TO_GROUND, VIN, cured_fan_job, fan_job

pytestmark = [pytest.mark.journey, pytest.mark.django_db(transaction=True)]

TOP = "element => element.getBoundingClientRect().top"
FOCUS = """() => { const here = document.activeElement, style = getComputedStyle(here);
  if (here === document.body) return null;
  const label = here.labels && here.labels[0] ? here.labels[0].innerText : '';
  return [(here.innerText || '') + ' ' + label + ' ' + (here.name || ''), style.outlineStyle, style.outlineWidth]; }"""


def answer(page: Page, words: str) -> None:
    page.locator("button.answer", has_text=words).click()


def read(page: Page, typed: str) -> None:
    """Type a reading and have it judged."""
    page.get_by_role("textbox", name="Reading", exact=True).fill(typed)
    page.get_by_role("button", name="Check the reading").click()


def keep(page: Page, label: str, typed: str) -> None:
    """Give a value that is asked once a run."""
    page.get_by_label(re.compile(label)).fill(typed)
    page.get_by_role("button", name="Save").click()


def title(page: Page, words: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text(re.compile(words))


def sign_in(page: Page, who: str) -> None:
    page.get_by_label("Username").fill(who)
    page.get_by_label("Password").fill(f"{who}-knows-it")
    page.get_by_role("button", name="Sign in").click()


def take_in_vehicle(page: Page) -> None:
    page.get_by_role("button", name="Book in a vehicle").or_(page.get_by_role("link", name="Book in a vehicle")).click()
    page.get_by_label("Registration").fill("sb 19 krd")
    page.get_by_label("Vehicle", exact=True).select_option(
        label="Curlew Dunlin minibus, Mk 2, from 2014, Rush 4 diesel"
    )
    page.get_by_label("VIN").fill(VIN.lower())
    page.get_by_label("Mileage").fill("114519")
    page.get_by_label("Complaint, in the customer's words").fill("It ran hot and dropped its coolant.")
    page.get_by_label("When and how it happens").fill("Standing in the queue at the ferry.")
    page.get_by_label("Symptom").select_option(label="Engine overheats")
    page.get_by_label("Fault codes present").fill("p0480")
    page.get_by_label("yes, seen or heard").check()
    page.get_by_role("button", name="Open the job").click()


def test_from_the_customers_words_to_a_proven_cure(visits: Visits, shelf: dict[str, Procedure], junior: User) -> None:
    """On a tablet; a like job is done on every screen in test_offline.py."""
    page = visits.open(TABLET)
    sign_in(page, "junior")
    find_and_take_in(page)
    look_first(page)
    judge_and_change_a_mind(page, visits)
    reach_the_relay(page)
    repair_that_does_not_help(page)
    find_the_feed(page)
    close_as_cured(page, visits)
    what_was_learned(page, visits)
    assert Result.objects.filter(override_why="Tip slipped off the test point.", proposed="blown").count() == 1
    assert Result.objects.filter(step="plug-look", skipped="no-access", onward="clean").count() == 1
    assert Result.objects.get(step="both-speeds", outcome="clicks").replaces.outcome == "one-dead"


def find_and_take_in(page: Page) -> None:
    """The customer's everyday words find the procedure; the vehicle is taken in from it."""
    page.get_by_label("What does the customer say?").fill("runs hot, fan never comes on")
    page.get_by_role("button", name="Find a procedure").click()
    page.locator(".rows .says").first.click()
    title(page, "Engine overheats and loses coolant, radiator fan does not run")
    take_in_vehicle(page)
    title(page, "SB 19 KRD: It ran hot and dropped its coolant.")
    expect(page.locator("main")).to_contain_text("P0480")
    expect(page.locator("main")).to_contain_text(VIN)
    page.locator("li.row", has_text="radiator fan does not run").get_by_role("button").click()


def look_first(page: Page) -> None:
    """Cautions stand before the instruction."""
    title(page, "Read temperature and codes, ask the customer")
    caution, instruction = page.locator(".caution").first, page.get_by_text("Do not start it")
    expect(caution).to_contain_text("WARNING")
    assert caution.evaluate(TOP) < instruction.evaluate(TOP)
    answer(page, "Customer or codes say it ran hot; engine is cold")
    title(page, "Level, colour and cap, engine cold")
    answer(page, "Level right, no oil in it")


def judge_and_change_a_mind(page: Page, visits: Visits) -> None:
    """An asked value, a meter, a reading too close to call, a way taken back, and a reading overruled."""
    title(page, "Pressure left after 10 minutes")
    keep(page, "Opening pressure printed on the cap", "1.1")
    page.locator("summary", has_text="Meter:").click()
    page.get_by_label("Meter for today").select_option("roadside-kit")
    page.get_by_role("button", name="Use it today").click()
    read(page, "two bars")
    expect(page.locator("#unreadable")).to_be_visible()
    read(page, "1.01")
    expect(page.locator(".verdict")).to_contain_text("too close to call")
    assert page.locator(".verdict").evaluate(TOP) < page.viewport_size["height"], "the verdict is in sight at once"
    answer(page, "Pressure holds")
    title(page, "Command both fan speeds")
    answer(page, "One speed runs, the other is dead")
    title(page, "swap the two fan relays")
    page.get_by_role("link", name="Back", exact=True).click()
    title(page, "Command both fan speeds")
    answer(page, "Fan silent, the high-speed relay clicks")
    title(page, "Voltage across the fan fuse")
    read(page, "0.6")
    expect(page.locator(".verdict")).to_contain_text("Voltage across the fuse")
    answer(page, "No voltage across the fuse")
    visits.refused()
    expect(page.locator("#refused")).to_be_in_viewport()
    page.get_by_label('Why "No voltage across the fuse" all the same').fill("Tip slipped off the test point.")
    page.get_by_role("button", name=re.compile("with this reason")).click()


def reach_the_relay(page: Page) -> None:
    """One step cannot be done; the readings after it lead to the relay."""
    title(page, "Fan current, fed at the relay socket")
    keep(page, "Power on the fan rating plate", "240")
    read(page, "0.3")
    answer(page, "Too little current")
    title(page, "Voltage lost in the fan plug, still on")
    read(page, "0.01")
    answer(page, "Hardly any lost")
    title(page, "Fan connector: heat, green, loose")
    page.get_by_role("link", name="Cannot do this").click()
    page.get_by_label("cannot get at it").check()
    page.get_by_label(re.compile("Clean, bright, tight")).check()
    page.get_by_role("button", name="Leave it out and go on").click()
    title(page, "Motor current, motor fed directly")
    read(page, "17.2")
    answer(page, "Runs, current right")
    title(page, "Voltage lost on the high-speed feed")
    keep(page, "Cross-section of the fan feed wire", "4")
    read(page, "4.6")
    expect(page.locator(".verdict")).to_contain_text("clear of the limit")
    answer(page, "Feed loses too much or is dead")
    title(page, "Voltage across the contacts")
    read(page, "4.1")
    answer(page, "The contacts lose voltage")
    title(page, "Relay: burnt contacts")
    # The fan did not run with the socket bridged, which speaks against the relay: by its circuit the proof is weak.
    expect(page.locator("main")).to_contain_text("Weak proof (measured)")


def repair_that_does_not_help(page: Page) -> None:
    """The repair is suggested by the procedure; it does not cure, so another cause is looked for."""
    page.get_by_role("link", name="Record the repair").click()
    fitted = page.get_by_label("Fit a new relay of the same rating and terminal plan")
    expect(fitted).not_to_be_checked()
    expect(page.get_by_label("Minutes the repair took")).to_have_value("")
    expect(page.get_by_label("measured", exact=True)).to_be_checked()
    the_clock_of_a_repair(page)
    page.get_by_role("button", name="Save the repair, then verify").click()
    title(page, "Is the complaint gone?")
    page.get_by_label("not cured: it is still there").check()
    page.get_by_label("Anything else that was checked").fill("Fan commanded high: still silent.")
    page.get_by_role("button", name="Save").click()
    expect(page.locator(".messages")).to_contain_text("hardly possible any more")
    expect(page.locator(".possible .bars li").first).not_to_contain_text("Relay")
    expect(page.locator(".possible")).to_contain_text("It was repaired, but the complaint stayed.")


def the_clock_of_a_repair(page: Page) -> None:
    """It goes on while the page is left, and words find further causes beside what is filled in."""
    page.get_by_role("button", name="Start the clock").click()
    page.reload()
    page.get_by_role("button", name="Pause the clock").click()
    expect(page.get_by_label("Minutes the repair took")).to_have_value("1")
    page.get_by_label("Fit a new relay of the same rating and terminal plan").check()
    page.get_by_label("Part", exact=True).fill("Fan relay")
    page.get_by_label("Another cause: find it by some words").press_sequentially("resistor")
    expect(page.get_by_role("group", name="Found")).to_contain_text("resistor")
    expect(page.get_by_label("Part", exact=True)).to_have_value("Fan relay")


def find_the_feed(page: Page) -> None:
    """Everything recorded is kept; one reading taken again leads to another cause."""
    page.locator(".rows a", has_text="revision 1, held by Junior").click()
    page.get_by_role("link", name="Voltage across the contacts of the high-speed relay").click()
    read(page, "0.05")
    answer(page, "The contacts lose little")
    title(page, "Feed: high resistance or open circuit")
    page.get_by_role("link", name="Record the repair").click()
    page.get_by_label("Anything else that was done").fill("Renewed the corroded joint in the feed behind the headlamp.")
    page.get_by_role("button", name="Save the repair, then verify").click()
    page.get_by_label("Level unchanged, nothing wet at cap pressure").check()
    page.get_by_label("cured: it is gone", exact=True).check()
    page.get_by_label("Anything else that was checked").fill("Idled until the fan had come on twice.")
    page.get_by_role("button", name="Save").click()


def close_as_cured(page: Page, visits: Visits) -> None:
    """What was off is confirmed to be back; the write-up holds complaint, cause, correction, readings and way."""
    expect(page.get_by_label("cured and verified")).to_be_checked()
    page.get_by_role("button", name="Close the job").click()
    visits.refused()
    expect(page.locator("main")).to_contain_text("Not confirmed to be back in place: ")
    expect(page.locator("input[name=back]").first).to_be_focused()
    for box in page.locator("input[name=back]").all():
        box.check()
    page.get_by_role("button", name="Close the job").click()
    page.go_back()  # over the refusal
    expect(page.locator(".tag", has_text="cured and verified")).to_be_visible()
    page.go_forward()
    sheet = page.locator(".writeup")
    for words in (
        "It ran hot and dropped its coolant.",
        "When and how: Standing in the queue at the ferry.",
        "P0480",
        VIN,
        "It was put right, and the complaint stayed.",
        "Renewed the corroded joint in the feed behind the headlamp.",
        "Idled until the fan had come on twice.",
        "Level unchanged, nothing wet at cap pressure.",
        "Fan relay",
        "reading said otherwise: Tip slipped off the test point.",
        "left out: cannot get at it",
        "1.01 bar",
        "0.05 V",
        "17.2 A",
    ):
        expect(sheet).to_contain_text(words)
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, "the customer gets one sheet"
    page.get_by_role("link", name="Technical record").click()
    expect(page.locator(".chart-window > svg")).to_be_visible()
    expect(page.locator("tbody tr", has_text="answered again later").first).to_be_visible()
    page.go_back()


def what_was_learned(page: Page, visits: Visits) -> None:
    """The procedure's chart carries the job."""
    page.goto(f"{visits.address}/procedures/{FAN}/")
    expect(page.locator(".chart-window > svg")).to_contain_text("1 of 1")
    expect(page.locator("main")).to_contain_text("1 job")
    assert Job.objects.get().disposition == Job.Disposition.CURED


@pytest.mark.looks
def test_a_job_by_keyboard_alone(visits: Visits, shelf: dict[str, Procedure], junior: User) -> None:
    """WCAG 2.2, 2.1.1 and 2.4.7: every control is reached by Tab, used by keys, and seen when it has the focus."""
    job = take_in(junior, complaint="Hot at the lights, fan never comes on.")
    page = visits.open(OFFICE, junior, path=f"/jobs/{job.pk}/")
    press(page, "Follow this")
    press(page, "Customer or codes say it ran hot")
    press(page, "Level right")
    type_in(page, "Opening pressure printed on the cap", "1.1")
    type_in(page, "Reading", "1.09")
    press(page, "Pressure holds")
    press(page, "Fan silent, the high-speed relay does not click")
    type_in(page, "Reading", "3.2")
    press(page, "Coil supply low or absent")
    title(page, "Coil supply: no supply")
    press(page, "Record the repair")
    tab_to(page, "Anything else that was done")
    page.keyboard.type("Mended the wire.")
    press(page, "Save the repair, then verify")
    tab_to(page, "Anything else that was checked")
    page.keyboard.type("Commanded it ten times.")
    tab_to(page, "cured: it is gone")
    page.keyboard.press("Space")
    press(page, "Save")
    tab_to(page, "cured and verified")
    for _ in range(page.locator("input[name=back]").count()):
        tab_to(page, " back")
        page.keyboard.press("Space")
    press(page, "Close the job")
    expect(page.locator(".writeup")).to_contain_text("Coil supply")
    expect(page.locator(".writeup")).to_contain_text("Checked: Commanded it ten times.")


@pytest.mark.looks
def test_the_offer_to_undo_ends_and_not_under_the_focus(
    visits: Visits, shelf: dict[str, Procedure], junior: User
) -> None:
    """WCAG 2.2, 2.2.1: what it does can be done later without haste, and it stays while it is in use. Nothing on the
    page moves when it goes: a finger may be on its way to an answer."""
    run = fan_job(junior, shelf[FAN], TO_CLICKS[:1])
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    first = "document.querySelector('.answers > li').getBoundingClientRect().top + scrollY"
    page.clock.install()
    answer(page, "Level right")
    undo = page.get_by_role("button", name="Undo")
    expect(page.locator(".undo")).to_contain_text("Stored: Level right, no oil in it")
    stood, height = page.evaluate(first), page.locator(".undo").evaluate("element => element.offsetHeight")
    assert height <= 60
    undo.focus()
    page.clock.fast_forward(15_000)
    expect(undo).to_be_visible()
    page.get_by_role("link", name="Back", exact=True).focus()
    page.clock.fast_forward(2_000)
    expect(undo).to_be_hidden()
    assert page.evaluate(first) == stood


def tab_to(page: Page, words: str) -> None:
    """Tab until the control with these words has the focus, and can be seen to have it."""
    for _ in range(60):
        page.keyboard.press("Tab")
        focus = page.evaluate(FOCUS)
        if focus is None:  # past the last control, at the browser's own
            continue
        said, style, width = focus
        assert style != "none" and float(width.removesuffix("px")) >= 2, f"no focus to be seen on {said!r}"
        if words in said:
            return
    pytest.fail(f"{words!r} is not reached by 60 tabs on {page.url}")


ARRIVED = "part => !part || !document.getElementById(part) || document.activeElement !== document.body"


def settled(page: Page) -> None:
    """The part that the address names holds the focus, which the browser gives it some time after the page is there."""
    page.wait_for_function(ARRIVED, arg=page.evaluate("location.hash.slice(1)"))


def press(page: Page, words: str) -> None:
    settled(page)
    tab_to(page, words)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def type_in(page: Page, words: str, typed: str) -> None:
    """From the top of the page, or from the part of it that the address names: that part holds the focus then."""
    settled(page)
    tab_to(page, words)
    page.keyboard.type(typed)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def test_a_reading_that_was_not_checked_goes_along_with_the_answer(
    visits: Visits, shelf: dict[str, Procedure], junior: User
) -> None:
    """Typed, and the answer tapped at once, as on a kept page: the reading is judged, and stays when it is refused."""
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    box = page.get_by_role("textbox", name="Reading", exact=True)
    box.fill("12,4 lamps")
    answer(page, "No voltage across the fuse")
    visits.refused()
    expect(page.locator("#unreadable")).to_be_visible()
    expect(box).to_have_value("12,4 lamps")
    page.get_by_text("Add a note to this answer").click()
    page.get_by_label("Note", exact=True).fill("Contacts look brown.")
    box.fill("25 mV")
    page.get_by_role("button", name="Check the reading").click()
    expect(page.locator(".shown output")).to_have_text("25 mV")
    expect(page.get_by_label("Note", exact=True)).to_have_value("Contacts look brown.")
    box = page.get_by_role("textbox", name="Reading", exact=True)
    page.get_by_role("link", name="Change").click()
    box.fill("20")
    page.get_by_label("Unit", exact=True).select_option("mV")
    answer(page, "Voltage across the fuse 0.5 V or more")
    visits.refused()
    expect(page.locator(".shown output")).to_have_text("20 mV")
    expect(page.get_by_label(re.compile("all the same"))).to_be_visible()
    answer(page, "No voltage across the fuse")
    title(page, "Fan current, fed at the relay socket")
    kept = Result.objects.get(run=run, step="fuse-drop")
    assert (kept.outcome, float(kept.reading or 0)) == ("whole", 0.02)


def test_a_vehicle_that_was_here_is_known_and_its_fault_came_back(
    visits: Visits, shelf: dict[str, Procedure], junior: User
) -> None:
    """The home page's words arrive, the registration fills in the rest, the comeback is one press and so is its end."""
    old = cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND)
    plate = old.vehicle.registration
    page = visits.open(PHONE, junior)
    page.get_by_label("What does the customer say?").fill("Fan silent and hot again")
    page.get_by_role("button", name="Book in a vehicle").click()
    expect(page.get_by_label("Complaint, in the customer's words")).to_have_value("Fan silent and hot again")
    page.get_by_label("Registration").fill(plate.lower())
    expect(page.get_by_role("heading", name=f"{plate} has been here before")).to_be_visible()
    expect(page.get_by_label("Vehicle", exact=True)).to_have_value(str(old.platform_id))
    page.get_by_label("Registration").fill("XX 1")
    expect(page.get_by_label("Vehicle", exact=True)).to_have_value("")
    page.get_by_label("Registration").fill(plate)
    page.get_by_label(re.compile(f"yes, job {old.pk}")).check()
    visits.shot(page, "known-vehicle")
    page.get_by_role("button", name="Open the job").click()
    expect(page.get_by_text(f"Comeback of job {old.pk}")).to_be_visible()
    page.get_by_role("button", name="Not a comeback after all").click()
    expect(page.get_by_text(f"Comeback of job {old.pk}")).to_have_count(0)
    page.get_by_role("link", name=plate).first.click()
    title(page, plate)
    visits.shot(page, "vehicle")
    page.goto(f"{visits.address}/jobs/new/?comeback_of={old.pk}")
    with page.expect_response("**/new/known/*"):
        page.get_by_label("Symptom").select_option(label="not chosen yet")
    expect(page.get_by_label(re.compile(f"yes, job {old.pk}"))).to_be_checked()


def test_a_registration_typed_before_the_scripts_ran_is_looked_up(
    visits: Visits, shelf: dict[str, Procedure], junior: User
) -> None:
    """On a slow device a person is quicker than the page: the script comes after the last key."""
    plate = cured_fan_job(junior, shelf[FAN], TO_GROUND, GROUND).vehicle.registration
    page = visits.open(PHONE, junior, path="/version/", service_workers="block")

    def quicker(route: Route) -> None:
        page.get_by_label("Registration").fill(plate.lower())
        route.continue_()

    page.route("**/htmx*.js", quicker)
    page.goto(f"{visits.address}/jobs/new/", wait_until="commit")
    expect(page.get_by_role("heading", name=f"{plate} has been here before")).to_be_visible()
    picture = {"name": "sill.jpg", "mimeType": "image/jpeg", "buffer": photo(bars(READ)).getvalue()}
    page.get_by_label("VIN").fill("")
    page.get_by_label("from a photo of its bar code").set_input_files(files=[picture])
    expect(page.get_by_label("VIN")).to_have_value(READ)
    expect(page.locator("[data-vin-photo] [role=status]")).to_contain_text(
        f"{READ}. The check digit X in position 9 is right."
    )


LONG = "49 jobs, 41 ended in a proven cause, 43 min on average; last time: inverter: high-voltage fault code, referred"
NARROW = """words => {
  document.querySelectorAll('.rows .told').forEach(told => { told.textContent = words; });
  return Math.min(...[...document.querySelectorAll('.rows .says')].map(says => says.getBoundingClientRect().width));
}"""


@pytest.mark.looks
@pytest.mark.parametrize("screen", [PHONE, TABLET, OFFICE], ids=lambda screen: screen.name)
def test_titles_of_a_list_keep_their_width_beside_long_figures(
    visits: Visits, shelf: dict[str, Procedure], junior: User, screen: Screen
) -> None:
    page = visits.open(screen, junior, path="/procedures/")
    assert page.evaluate(NARROW, LONG) >= 240


COUNTED = """() => {
  const add = (what, number) => localStorage.setItem(what, Number(localStorage.getItem(what) || 0) + number);
  addEventListener('DOMContentLoaded', () => add('loads', 1));
  addEventListener('click', event => event.isTrusted && add('taps', 1), true);
  addEventListener('keypress', event => event.isTrusted && event.key.length === 1 && add('characters', 1), true);
}"""


def typed(page: Page, label: str, words: str) -> None:
    """Tap the field and type."""
    field = page.get_by_label(re.compile(label)).first
    field.click()
    field.press_sequentially(words)


@pytest.mark.one_database  # that job, from the customer's words to a proven cure, is done on both above
def test_a_whole_job_takes_few_taps_characters_and_loads(
    visits: Visits, shelf: dict[str, Procedure], junior: User
) -> None:
    """From booking in a vehicle that was here before to a verified repair: every tap, every character, every page."""
    known = fan_job(junior, shelf[FAN], TO_CLICKS, registration="SB 19 KRD").job
    closing.close_job(known, Job.Disposition.UNSOLVED, by=junior, at=timezone.now())
    page = visits.open(PHONE, junior, path="/")
    page.context.add_init_script(f"({COUNTED})()")
    page.goto(f"{visits.address}/jobs/new/")
    typed(page, "Registration", "sb 19 krd")
    expect(page.get_by_label("Vehicle", exact=True)).not_to_have_value("")
    typed(page, "Complaint, in the customer's words", "Hot, fan never runs")
    page.get_by_role("button", name="Open the job").click()
    page.locator("li.row", has_text="radiator fan does not run").get_by_role("button").click()
    answer(page, "Customer or codes say it ran hot")
    answer(page, "Level right")
    typed(page, "Opening pressure printed on the cap", "1.1")
    page.get_by_role("button", name="Save").click()
    read_by_keys(page, "1.09")
    answer(page, "Pressure holds")
    answer(page, "Fan silent, the high-speed relay does not click")
    read_by_keys(page, "3.2")
    answer(page, "Coil supply low or absent")
    title(page, "Coil supply: no supply")
    page.get_by_role("link", name="Record the repair").click()
    page.get_by_label("Find the blown fuse or open wire before the relay coil and put it right").click()
    page.get_by_role("button", name="Save the repair, then verify").click()
    for done in page.get_by_role("group", name="Repeat the conditions of the complaint").get_by_role("checkbox").all():
        done.click()
    page.get_by_label("cured: it is gone", exact=True).click()
    page.get_by_role("button", name="Save").click()
    expect(page.locator("main")).to_contain_text("Cured")
    counted = {name: int(page.evaluate("name => localStorage.getItem(name)", name)) for name in MOST}
    assert all(counted[name] <= most for name, most in MOST.items()), counted


MOST = {"taps": 38, "characters": 80, "loads": 14}
"""What a job of five steps, two of them with a reading, may take at most from booking in to a verified repair."""


def read_by_keys(page: Page, words: str) -> None:
    field = page.get_by_role("textbox", name="Reading", exact=True)
    field.click()
    field.press_sequentially(words)
    page.get_by_role("button", name="Check the reading").click()
