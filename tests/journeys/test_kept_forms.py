"""The script that keeps whole forms on a device, alone in a browser: the device and the server are stood in for."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

import shopkb

pytestmark = [pytest.mark.journey, pytest.mark.device]

SCRIPT = Path(shopkb.__file__).with_name("jobs") / "static" / "jobs" / "kept.js"
DEVICE = """
window.kept = [];
let made = 0;
window.Outbox = {
  id: () => `id-${++made}`,
  add: async (item) => void window.kept.push(item),
  all: async () => window.waiting,
  me: 1,
};
"""
PAGE = """<p id="kept-told"></p>
<form data-keep="{kind}" data-run="7" data-next="#over" data-away="yes">{fields}
<button class="primary" type="submit">Keep it</button></form>"""


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context()
    yield context.new_page()
    context.close()


def opened(page: Page, kind: str, fields: str, waiting: list[dict[str, Any]] | None = None, query: str = "") -> None:
    """The form on a page that has just been loaded; ``waiting``: what the device holds already."""
    page.route(
        "**/*", lambda route: route.fulfill(content_type="text/html", body=PAGE.format(kind=kind, fields=fields))
    )
    page.goto(f"http://device.test/{query}")
    page.evaluate(f"waiting => {{ window.waiting = waiting; {DEVICE} }}", waiting or [])
    page.add_script_tag(content=SCRIPT.read_text(encoding="utf-8"))
    page.evaluate("document.dispatchEvent(new Event('DOMContentLoaded'))")


def kept(page: Page) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = page.evaluate("window.kept")
    return items


def test_a_second_tap_keeps_nothing_more_and_the_button_says_so(page: Page) -> None:
    opened(page, "repair", '<input name="correction" value="New relay.">')
    button = page.locator("button")
    button.click()
    expect(page).to_have_url("http://device.test/#over")
    button.evaluate("button => button.form.requestSubmit()")
    page.wait_for_function("window.kept.length")
    assert [item["fields"] for item in kept(page)] == [{"correction": ["New relay."]}]
    expect(button).to_be_disabled()
    expect(button).to_have_text("Kept on this device")


REPAIR = """<input type="checkbox" name="done" value="Fit it"><textarea name="correction"></textarea>
<div class="part"><input name="part-0-words"><input name="part-0-number"><input name="part-0-quantity">
<input name="part-0-price"></div>"""
CHECK = """<input type="checkbox" name="seen" value="Sounds"><input name="read_0" data-units="V mV volt">
<textarea name="how"></textarea><input type="radio" name="cured" value="cured" checked>
<input type="radio" name="cured" value="not-checked">"""


@pytest.mark.parametrize(
    ("kind", "fields", "typed", "why", "mended"),
    [("repair", REPAIR, {}, "Say what was done to put it right.", {"correction": "New relay."}),
     ("repair", REPAIR, {"correction": " "}, "Say what was done to put it right.", {"correction": "New relay."}),
     ("repair", REPAIR, {"correction": "Done.", "part-0-price": "3"}, "Say which part",
      {"part-0-words": "Eye"}),
     ("repair", REPAIR, {"correction": "Done.", "part-0-words": "Eye", "part-0-quantity": "few"}, "Enter a number.",
      {"part-0-quantity": "1,5", "part-0-price": "£ 1 250,00"}),
     ("verify", CHECK, {}, "Say how it was checked", {"how": "Ten times."}),
     ("verify", CHECK, {"read_0": "2 kg"}, '"2 kg" cannot be read here.', {"read_0": "-12,1 mv"}),
     ("verify", CHECK, {"read_0": "plenty"}, '"plenty" cannot be read here.', {"read_0": "12.1"}),
     ("hand-over", '<input name="reason" required>', {"reason": "  "}, "This field is required.", {"reason": "Late."})],
    ids=["nothing", "blank", "part", "number", "how", "unit", "words", "reason"],
)  # fmt: skip
def test_what_the_server_would_refuse_is_told_at_its_field_before_it_is_kept(
    page: Page, kind: str, fields: str, typed: dict[str, str], why: str, mended: dict[str, str]
) -> None:
    opened(page, kind, fields)
    for name, words in typed.items():
        page.locator(f"[name={name}]").fill(words)
    page.get_by_role("button").click()
    expect(page.locator(".errorlist")).to_contain_text(why)
    expect(page.locator(":focus")).to_have_attribute("name", next(iter(mended)))
    assert kept(page) == []
    for name, words in mended.items():
        page.locator(f"[name={name}]").fill(words)
    page.get_by_role("button").click()
    expect(page).to_have_url("http://device.test/#over")
    expect(page.locator(".errorlist")).to_have_count(0)
    assert len(kept(page)) == 1


@pytest.mark.parametrize(("kind", "same"), [("repair", True), ("verify", False)])
def test_a_refused_form_opens_as_it_was_filled_in_and_takes_its_own_place(page: Page, kind: str, same: bool) -> None:
    fields = (
        {"done": ["Fit it"], "correction": ["New relay."]} if same else {"seen": ["Sounds"], "cured": ["not-checked"]}
    )
    item = {"order": 5, "client_id": "old", "user": 1, "kind": kind, "repair": "" if same else "r", "refused": "Why.",
            "fields": fields}  # fmt: skip
    opened(page, kind, REPAIR if same else CHECK, [item], "?again=old")
    expect(page.locator("#kept-told")).to_have_text("It was not taken: Why.")
    page.get_by_role("button").click()
    expect(page).to_have_url("http://device.test/?again=old#over")
    stored = kept(page)[0]
    assert fields.items() <= stored["fields"].items()
    assert (stored["order"], stored["repair"], stored["client_id"] == "old") == (5, item["repair"], same)
    assert "refused" not in stored


OUTBOX = """<a id="unsent" data-user="1"></a><ul id="outbox-list"></ul><p id="outbox-empty"></p><a id="outbox-run"></a>
<button id="outbox-retry"></button><button id="outbox-save"></button><p id="outbox-told"></p>"""


def test_the_list_of_what_was_not_taken_opens_each_form_again(page: Page) -> None:
    page.route("**/*", lambda route: route.fulfill(content_type="text/html", body=OUTBOX))
    page.goto("http://device.test/")
    page.add_script_tag(content=SCRIPT.with_name("outbox.js").read_text(encoding="utf-8"))
    for kind in ("intake", "repair", "verify", "hand-over", "finding"):
        page.evaluate(
            "kind => Outbox.add({kind, run: '7', repair: 'r', client_id: `of-${kind}`, fields: {}, refused: 'No.'})",
            kind,
        )
    links = page.get_by_role("link", name="Open it again")
    expect(links).to_have_count(5)
    assert [link.get_attribute("href") for link in links.all()] == [
        "/jobs/new/?repair=r&again=of-intake", "/jobs/runs/7/pack-repair/?repair=r&again=of-repair",
        "/jobs/runs/7/pack-verify/?repair=r&again=of-verify", "/jobs/runs/7/hand-over/?repair=r&again=of-hand-over",
        "/jobs/runs/7/pack-finding/?repair=r&again=of-finding",
    ]  # fmt: skip


CAUSES = "".join(
    f'<label class="choice"><input type="radio" name="cause" value="{number}"> <span>{words}</span></label>'
    for number, words in enumerate(
        ["Fan motor: worn brushes", "Fan relay: burnt contacts", "Fan fuse: blown", "Earth wire: high resistance",
         "Radiator: blocked", "Coolant: low", "Control unit: output dead", "Fan resistor: open circuit"]
    )
)  # fmt: skip
FIND = f'<input type="search" data-find><p data-found role="status"></p>{CAUSES}<textarea name="correction"></textarea>'


def shown_causes(page: Page) -> list[str]:
    return [label.inner_text().strip() for label in page.locator("label.choice:visible").all()]


def test_a_cause_is_found_by_words_of_it(page: Page) -> None:
    """Without the network there are those of the procedure alone: dozens, of which one is wanted."""
    opened(page, "repair", FIND)
    assert len(shown_causes(page)) == 6
    expect(page.locator("[data-found]")).to_have_text("2 more: find them by some words.")
    page.locator("[data-find]").fill("FAN res")
    assert shown_causes(page) == ["Fan resistor: open circuit"]
    page.locator("label.choice:visible").click()
    page.locator("[data-find]").fill("radiator")
    assert shown_causes(page) == ["Radiator: blocked", "Fan resistor: open circuit"]
    page.locator("[data-find]").fill("gearbox")
    expect(page.locator("[data-found]")).to_have_text(
        "No cause of this procedure is called that. With the network, all causes can be searched."
    )
    assert shown_causes(page) == ["Fan resistor: open circuit"]
    page.locator("textarea").fill("New one.")
    page.get_by_role("button").click()
    assert kept(page)[0]["fields"] == {"cause": ["7"], "correction": ["New one."]}


def test_the_cause_that_the_end_named_stands_alone_until_another_is_looked_for(page: Page) -> None:
    opened(page, "repair", FIND, query="?cause=3")
    assert shown_causes(page) == ["Earth wire: high resistance"]
    page.locator("[data-find]").fill("fuse")
    assert shown_causes(page) == ["Fan fuse: blown", "Earth wire: high resistance"]


HAND_OVER = '<p class="about" data-as-of hidden>As of 10:42.</p><input name="reason">'


@pytest.mark.parametrize(("run", "told"), [("7", True), ("8", False)])
def test_a_hand_over_says_of_when_its_list_is_while_answers_wait(page: Page, run: str, told: bool) -> None:
    opened(page, "hand-over", HAND_OVER, [{"order": 1, "kind": "answer", "run": run}])
    assert page.locator("[data-as-of]").is_visible() == told
