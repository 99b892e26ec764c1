"""How far down its page the first answer of each shipped step stands on a phone, and what one screen of a tablet holds.

The pages are those of the view, in jobs that came to the step by its shortest way: without a break, so that cautions
worked under in the same set-up state have shrunk to lines, and after one. What is reasoned stands below the answers and
is left out.
"""

from __future__ import annotations

import mimetypes
import uuid
from collections import deque
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import pytest
from django.contrib.sessions.backends.cache import SessionStore
from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from django.test import RequestFactory
from django.utils import timezone
from playwright.sync_api import Browser, Route

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform
from shopkb.core.flow.model import AskedValue, Flow, GoKind, Step
from shopkb.jobs.actions import following
from shopkb.jobs.dangers import LONG_BREAK
from shopkb.jobs.models import Result, Run
from shopkb.jobs.run_results import walk_of
from shopkb.jobs.run_state import RunState
from shopkb.jobs.views import step as step_view
from shopkb.procedures.exchange import flow_files
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests.builders import take_in
from tests.conftest import FLOWS, stocked

from .conftest import PHONE, TABLET, Screen

pytestmark = [pytest.mark.journey, pytest.mark.looks, pytest.mark.django_db]

BREAK = LONG_BREAK + timedelta(minutes=10)
FARTHEST = 1200
"""CSS pixels from the top of the page on a phone."""
AFTER_A_BREAK = {
    "starter-does-not-turn/plugs-out": 1400,
    "starter-does-not-turn/starter-bench": 1320,
    "charging-low/charge-current": 1310,
    "charging-low/posts": 1470,
    "charging-low/sense": 1280,
    "charging-low/supply-pin": 1320,
    "charging-low/rotor-speed": 1230,
    "starter-does-not-turn/coil-volts": 1250,
    "charging-low/unit-alone": 1370,
    "overheats-fan-silent/why-fuse": 1240,
}
"""What is farther when somebody comes back after a break: every caution of the step is new then and said whole."""

MEASURE = """bodies => bodies.map(html => {
  document.body.innerHTML = html;
  for (const pad of document.querySelectorAll('[data-pad]')) pad.hidden = innerWidth <= 480;
  const at = element => element.getBoundingClientRect();
  const answers = [...document.querySelectorAll('.answers > li')], reading = document.getElementById('reading');
  return {
    first: Math.round(at(answers[0]).top + scrollY),
    screen: reading && at(answers.at(-1)).bottom - at(reading).top + at(document.querySelector('.bar')).height,
    answer: Math.min(...answers.map(each => at(each).height)),
    sideways: document.documentElement.scrollWidth - innerWidth,
  };
})"""


class Shown(NamedTuple):
    name: str
    body: str
    after_a_break: bool


def ways(flow: Flow) -> Iterator[tuple[Step, tuple[tuple[Step, str], ...]]]:
    """Every step, with the answers on its shortest way."""
    found: dict[str, tuple[tuple[Step, str], ...]] = {flow.start: ()}
    waiting = deque([flow.start])
    while waiting:
        step = flow.step_by_key[waiting.popleft()]
        yield step, found[step.key]
        for outcome in step.outcomes:
            if outcome.go.kind is GoKind.STEP and outcome.go.key not in found:
                found[outcome.go.key] = (*found[step.key], (step, outcome.key))
                waiting.append(outcome.go.key)


def give_values(run: Run, flow: Flow, by: User) -> None:
    """Everything that is asked once, from the middle of what can be true."""
    for value in flow.values:
        if isinstance(value, AskedValue):
            ends = [end.to(value.unit).magnitude for end in (value.low, value.high) if end is not None]
            typed = str(sum(ends, Decimal(0)) / len(ends)) if ends else "12"
            following.record_value(run, value.key, typed, by=by, at=timezone.now(), client_id=uuid.uuid4())


def walked(run: Run, flow: Flow, way: tuple[tuple[Step, str], ...], by: User, since: timedelta) -> RunState:
    """The run with these answers, one a minute, the last so long ago; nothing is stored."""
    now = timezone.now() - since
    rows = [
        Result(
            pk=number, run=run, step=step.key, outcome=outcome, who=by, client_id=uuid.uuid4(), seconds=60,
            at=now - timedelta(minutes=1 + len(way) - number),
        )
        for number, (step, outcome) in enumerate(way, start=1)
    ]  # fmt: skip
    return RunState(run, flow, rows, walk_of(flow, rows))


def pages_of(procedure: Procedure, by: User) -> Iterator[Shown]:
    """Each step's page, without a break and after one."""
    platform = Platform.objects.get(path="curlew/dunlin/mk2/rush4")
    job = take_in(by, at=timezone.now(), platform=platform, complaint="Ran hot in the queue and lost its coolant.")
    run = following.start_run(job, procedure, by=by, at=timezone.now(), client_id=uuid.uuid4())
    flow = flow_of(run.revision)
    give_values(run, flow, by)
    for step, way in ways(flow):
        for since in (timedelta(), BREAK):
            request = RequestFactory().get("/")
            request.user, request.session = by, SessionStore()
            state = walked(run, flow, way, by, since)
            html = step_view.render_step(request, state, step).content.decode()  # type: ignore[arg-type]
            body = html[html.index('<header class="job-line"') : html.index("</body>")]
            yield Shown(f"{flow.procedure}/{step.key}", body, bool(since))


@pytest.fixture
def steps(catalog: None, senior: User, second: User, junior: User, monkeypatch: pytest.MonkeyPatch) -> list[Shown]:
    """Each step of each shipped procedure, its dangers confirmed."""
    monkeypatch.setattr(step_view, "reason", lambda *_given, **_more: None)
    monkeypatch.setattr(step_view, "danger_due", lambda *_given, **_more: None)
    shelf = stocked("shelf", flow_files([FLOWS]), senior, second)
    return [page for procedure in shelf.values() for page in pages_of(procedure, junior)]


def frame(route: Route, empty: str) -> None:
    path = urlsplit(route.request.url).path
    if not path.startswith("/static/"):
        route.fulfill(body=empty, content_type="text/html; charset=utf-8")
    elif found := finders.find(path[len("/static/") :]):
        route.fulfill(path=found, content_type=mimetypes.guess_type(path)[0] or "application/octet-stream")
    else:
        route.fulfill(status=404)


def measured(browser: Browser, screen: Screen, pages: list[Shown]) -> dict[str, dict[str, Any]]:
    context = browser.new_context(viewport={"width": screen.width, "height": screen.height}, has_touch=True)
    context.route("**/*", partial(frame, empty=render_to_string("base.html")))
    page = context.new_page()
    page.goto("http://shop.test/")
    page.evaluate("() => { document.body.className = 'vehicle'; return document.fonts.ready.then(() => true); }")
    found = page.evaluate(MEASURE, [each.body for each in pages])
    context.close()
    return {each.name: row for each, row in zip(pages, found, strict=True)}


def test_answers_are_near_on_every_shipped_step(browser: Browser, steps: list[Shown]) -> None:
    at_once, later = ([page for page in steps if page.after_a_break is after] for after in (False, True))
    phone, tablet = (measured(browser, screen, at_once) for screen in (PHONE, TABLET))
    after_a_break = measured(browser, PHONE, later)
    assert len(phone) == len(after_a_break) > 400
    assert [(name, row["first"]) for name, row in phone.items() if row["first"] > FARTHEST] == []
    far = [
        (name, row["first"]) for name, row in after_a_break.items() if row["first"] > AFTER_A_BREAK.get(name, FARTHEST)
    ]
    assert not far, str(far)
    assert [name for name in AFTER_A_BREAK if after_a_break[name]["first"] <= FARTHEST] == [], "no longer to be named"
    assert [name for name, row in tablet.items() if (row["screen"] or 0) > TABLET.height] == []
    assert [name for name, row in phone.items() if row["sideways"]] == []
    assert min(row["answer"] for row in phone.values()) >= 80
    assert min(row["answer"] for row in tablet.values()) >= 96
