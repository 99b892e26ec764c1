"""The kit in a real browser: scripts work under our content rules, targets are large, nothing scrolls sideways.

Pages are served from memory by request interception; no server and no database take part.
"""

from __future__ import annotations

import mimetypes
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

import django_htmx
import pytest
from django.template import engines
from playwright.sync_api import Browser, Page, Route, expect, sync_playwright

from shopkb.core.readings.bands import Interval
from shopkb.web.numberline import Segment, number_line
from shopkb.web.security import CONTENT_SECURITY_POLICY
from tests import chromium

from .styles import FOLDER

pytestmark = pytest.mark.journey

STATIC = (FOLDER / "static", Path(django_htmx.__file__).parent / "static")
RULES = "; ".join(f"{name} {' '.join(sources)}" for name, sources in CONTENT_SECURITY_POLICY["DIRECTIVES"].items())

STEP = """{% extends "base.html" %}{% load static %}{% block body_class %}vehicle{% endblock %}
{% block head %}<script src="{% static 'web/pad.js' %}" defer></script>
<script src="{% static 'web/panzoom.min.js' %}" defer></script>
<script src="{% static 'web/chart.js' %}" defer></script>{% endblock %}
{% block main %}<h1>Feed at the fan connector</h1>
{% include "web/_caution.html" with word="WARNING" text="The fan can start by itself. Hands out of its arc." %}
<form class="reading"><label for="r">Reading</label><div class="entry"><input id="r" inputmode="decimal"></div>
{% include "web/_pad.html" with target="r" %}{% include "web/_numberline.html" %}</form>
<form><ul class="answers"><li>{% include "web/_answer.html" with key="1" label="Low" goes="to the resistor" %}</li></ul>
</form>{% include "web/_chart.html" %}{% endblock %}
{% block bar %}<a class="button" href="/">Back</a><button>Cannot do this</button>{% endblock %}"""
CHART = (
    '<svg width="900pt" height="600pt" viewBox="0 0 900 600"><g class="graph"><polygon points="0,0 900,0 900,600"/>'
    '<g class="node step now"><polygon points="700,500 800,500 800,560 700,560"/><text x="720" y="530">7</text></g>'
    "</g></svg>"
)
Open = Callable[..., Page]


def _answer(route: Route) -> None:
    path = urlsplit(route.request.url).path
    if path.startswith("/static/"):
        found = next(root / path[8:] for root in STATIC if (root / path[8:]).is_file())
        route.fulfill(path=found, content_type=mimetypes.guess_type(found.name)[0] or "application/octet-stream")
        return
    line = number_line([Segment("Low", Interval(1, 12.1)), Segment("Full supply", Interval(12.1, 16))], "V", 11.86)
    drawn = {"svg": engines["django"].from_string(CHART).render(), "drawing": "flowchart", "has_now": True}
    html = engines["django"].from_string(STEP).render({"line": line, "drawn": drawn})
    route.fulfill(body=html, content_type="text/html", headers={"Content-Security-Policy": RULES})


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium.path(), args=chromium.FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def opened(browser: Browser) -> Iterator[Open]:
    """Opens the page at a width; at the end, the browser must have had nothing to complain of."""
    complaints: list[str] = []
    contexts = []

    def open_at(width: int, scheme: Literal["light", "dark"] = "light") -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, has_touch=width < 1000
        )
        contexts.append(context)
        context.route("**/*", _answer)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto("http://shop.test/step")
        return page

    yield open_at
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.mark.parametrize("width", [320, 390, 820, 1440])
def test_nothing_scrolls_sideways(opened: Open, width: int) -> None:
    """WCAG 2.2, 1.4.10: 320 px. The chart scrolls in a window of its own."""
    page = opened(width)
    assert page.evaluate("document.documentElement.scrollWidth") == width


@pytest.mark.parametrize("width", [320, 390])
def test_the_marks_of_a_long_procedure_go_on_in_a_second_line(opened: Open, width: int) -> None:
    page = opened(width)
    marks = '<div class="rail"><ol class="marks">' + '<li class="ahead"></li>' * 40 + "</ol></div>"
    page.evaluate("marks => document.querySelector('main').insertAdjacentHTML('afterbegin', marks)", marks)
    assert page.evaluate("document.documentElement.scrollWidth") == width
    assert page.evaluate("document.querySelector('.rail .marks').children[39].getBoundingClientRect().width") >= 12


@pytest.mark.parametrize(("width", "answer"), [(390, 80), (820, 96)])
def test_targets_are_large_enough_for_gloves(opened: Open, width: int, answer: int) -> None:
    page = opened(width)
    page.locator("#r").focus()  # on a phone the pad opens with its field
    heights = page.evaluate(
        "[...document.querySelectorAll('button, a.button, input')].filter(e => e.offsetParent)"
        ".map(e => [e.className, e.getBoundingClientRect().height, e.getBoundingClientRect().width])"
    )
    assert len(heights) > 15
    assert all(height >= 48 and wide >= 48 for _, height, wide in heights)
    assert [height >= answer for name, height, _ in heights if name.startswith("answer")] == [True]


def test_the_pad_types_digits_sign_and_point(opened: Open) -> None:
    page = opened(390)
    assert page.get_by_role("group", name="Number pad").is_hidden()
    page.locator("#r").focus()
    for name in ("1", "2", "Decimal point", "Decimal point", "4", "Plus or minus", "Delete", "5"):
        page.get_by_role("button", name=name, exact=True).click()
    assert page.input_value("#r") == "-12.5"
    page.get_by_role("button", name="Plus or minus").click()
    assert page.input_value("#r") == "12.5"
    page.get_by_role("button", name="Clear").click()
    assert page.input_value("#r") == ""


def test_the_theme_is_chosen_and_kept(opened: Open) -> None:
    page = opened(820)
    ground = "getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(ground) == "rgb(247, 245, 240)"
    page.get_by_role("button", name="Dark").click()
    assert page.evaluate(ground) == "rgb(16, 22, 28)"
    page.reload()
    assert page.evaluate(ground) == "rgb(16, 22, 28)"
    assert page.get_by_role("button", name="Dark").get_attribute("aria-pressed") == "true"
    page.get_by_role("button", name="Match device").click()
    assert page.evaluate(ground) == "rgb(247, 245, 240)"


def test_the_device_decides_until_somebody_chooses(opened: Open) -> None:
    page = opened(820, "dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(16, 22, 28)"
    page.get_by_role("button", name="Light").click()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(247, 245, 240)"


NOW_IS_SEEN = """() => { const now = document.querySelector('.node.now').getBoundingClientRect();
    const box = document.querySelector('.chart-window').getBoundingClientRect();
    return now.left >= box.left && now.right <= box.right && now.top >= box.top && now.bottom <= box.bottom; }"""
STAGE = "document.querySelector('.chart-window svg > g').getBoundingClientRect()"


def width_of_chart(page: Page) -> float:
    page.wait_for_timeout(50)
    return float(page.evaluate(f"{STAGE}.width"))


def test_the_chart_opens_where_you_are_and_grows_by_buttons(opened: Open) -> None:
    page = opened(390)
    page.wait_for_function(NOW_IS_SEEN)
    first = width_of_chart(page)
    page.get_by_role("button", name="Larger").click()
    assert width_of_chart(page) == pytest.approx(first * 1.3, rel=0.01)
    page.get_by_role("button", name="Whole chart").click()
    assert width_of_chart(page) <= 390
    page.get_by_role("button", name="Larger").click()
    page.get_by_role("button", name="Show current step").click()
    page.wait_for_function(NOW_IS_SEEN)


def test_the_chart_moves_by_keys_wheel_and_dragging(opened: Open) -> None:
    page = opened(820)
    page.wait_for_function(NOW_IS_SEEN)
    left = f"{STAGE}.left"
    page.locator(".chart-window").focus()
    before = page.evaluate(left)
    page.keyboard.press("ArrowLeft")
    page.wait_for_function(f"before => {left} > before + 50", arg=before)
    wide = width_of_chart(page)
    page.keyboard.press("-")
    assert width_of_chart(page) == pytest.approx(wide / 1.3, rel=0.01)
    page.keyboard.press("0")
    assert width_of_chart(page) <= 820
    box = page.locator(".chart-window").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 60, box["y"] + 60)
    wide = width_of_chart(page)
    page.mouse.wheel(0, -240)
    assert width_of_chart(page) > wide
    before = page.evaluate(left)
    page.mouse.down()
    page.mouse.move(box["x"] + 160, box["y"] + 60, steps=4)
    page.mouse.up()
    assert page.evaluate(left) == pytest.approx(before + 100, abs=2)


def scale_of(page: Page) -> float:
    return float(page.locator(".chart").get_attribute("data-scale") or 0)


def test_the_chart_grows_between_two_fingers(opened: Open) -> None:
    page = opened(820)
    expect(page.locator(".chart")).to_have_attribute("data-scale", re.compile(r"\d"))
    page.locator(".chart-window").scroll_into_view_if_needed()
    box = page.locator(".chart-window svg").first.bounding_box()
    assert box
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = scale_of(page)
    fingers = page.context.new_cdp_session(page)
    for kind, apart in (("touchStart", 30), ("touchMove", 60), ("touchMove", 120), ("touchEnd", 0)):
        points = [{"x": x - apart, "y": y}, {"x": x + apart, "y": y}] if apart else []
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    page.wait_for_function(f"() => Number(document.querySelector('.chart').dataset.scale) > {before * 1.5}")


def test_the_place_in_a_chart_is_kept_and_the_whole_screen_is_one_press(opened: Open) -> None:
    page = opened(1440)
    expect(page.locator(".chart")).to_have_attribute("data-scale", re.compile(r"\d"))
    first = scale_of(page)
    page.get_by_role("button", name="Larger", exact=True).click()
    page.wait_for_function(f"() => Number(document.querySelector('.chart').dataset.scale) > {first * 1.2}")
    shown = page.locator(".chart").get_attribute("data-scale")
    page.reload()
    expect(page.locator(".chart")).to_have_attribute("data-scale", str(shown))
    page.locator('[data-chart="full"]').click()
    page.wait_for_function("() => document.fullscreenElement === document.querySelector('.chart')")
    page.keyboard.press("f")
    page.wait_for_function("() => document.fullscreenElement === null")


def test_words_of_the_number_line_keep_their_size(opened: Open) -> None:
    """No scaling with the drawing: the same share of the page's letters at every width; the words move below."""
    size = """['.number-line text', 'body'].map(name =>
        parseFloat(getComputedStyle(document.querySelector(name)).fontSize)).reduce((words, body) => words / body)"""
    assert [opened(width).evaluate(size) for width in (320, 1440)] == pytest.approx([0.84, 0.84])
    assert opened(320).locator(".number-line .legend").is_visible()
    assert not opened(1440).locator(".number-line .legend").is_visible()


def test_the_signal_word_stands_in_the_corner_and_nothing_runs_under_it(opened: Open) -> None:
    """On a phone the text goes on below it; on a wider page it has a column of its own."""
    places = """(() => { const box = document.querySelector('.caution'), word = box.querySelector('.word'),
        text = document.createRange(), edge = word.getBoundingClientRect(), whole = box.getBoundingClientRect();
        text.selectNodeContents(box.querySelector('.says'));
        const under = [...text.getClientRects()].filter(each => each.top < edge.bottom && each.left < edge.right);
        return [edge.top - whole.top, edge.left - whole.left, under.length]; })()"""
    for width in (320, 390, 820):
        above, beside, under = opened(width).evaluate(places)
        assert 0 <= above <= 6 and 0 <= beside <= 6 and under == 0, width


def test_a_danger_that_is_asked_about_is_read_first_and_largest(opened: Open) -> None:
    """Its word has a row of its own, its text under it is larger than that of the page."""
    sizes = """(() => { document.body.classList.add('vehicle', 'danger-screen');
        const box = document.querySelector('.caution'), at = name => box.querySelector(name).getBoundingClientRect();
        const size = element => parseFloat(getComputedStyle(element).fontSize);
        return [at('.says').top - at('.word').bottom, at('.says').left - at('.word').left,
          size(box.querySelector('.says')) / size(document.body)]; })()"""
    for width in (320, 390, 820):
        below, beside, larger = opened(width).evaluate(sizes)
        assert abs(below) < 1 and abs(beside) < 1 and larger > 1.1, width
