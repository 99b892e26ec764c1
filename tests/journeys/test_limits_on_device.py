"""The script that works out limits on a device, held against the server: every shipped step, and typed numbers."""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

import shopkb
from shopkb.accounts.models import User
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import AskedValue
from shopkb.core.readings.parsing import parse_reading
from shopkb.core.readings.plausible import expected
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES
from shopkb.jobs.answering import with_computed
from shopkb.jobs.kept_limits import limits_of, spellings
from shopkb.procedures import publishing
from tests import builders
from tests.builders import yard
from tests.conftest import FLOWS, NOW

__all__ = ["yard"]

pytestmark = [pytest.mark.journey, pytest.mark.device]

SCRIPTS = Path(shopkb.__file__).with_name("jobs") / "static" / "jobs"
USUAL = {"V": "12.4", "W": "240", "mm2": "2.5", "m": "3", "A": "10", "bar": "1.1", "%": "60", "degC": "20", "ohm": "2"}


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context()
    page = context.new_page()
    page.goto("about:blank")
    page.add_script_tag(content=(SCRIPTS / "limits.js").read_text(encoding="utf-8"))
    yield page
    context.close()


def cases() -> Iterator[tuple[str, dict[str, Any], dict[str, float], dict[str, list[float]], list[float] | None]]:
    """For each step that measures: what the device is told, values given, and what the server makes of them."""
    for path in sorted(FLOWS.glob("*.yaml")):
        flow = read_flow(path.read_text(encoding="utf-8")).flow
        assert flow is not None
        asked = {}
        for each in flow.values:
            if isinstance(each, AskedValue):
                asked[each.key] = Quantity(Decimal(USUAL.get(each.unit, "1")), each.unit)
        values = with_computed(flow, asked)
        for step in flow.steps:
            if step.reading is None:
                continue
            told = limits_of(flow, step, {})
            bands = {row.key: row.band for row in step.outcomes if row.band is not None and not row.band.over_limit}
            ranges = {
                key: band.resolve(values, step.reading.unit) for key, band in bands.items() if key in told["ends"]
            }
            range_of_all = None
            if len(ranges) == len(bands) and not told.get("written"):
                found = expected(ranges.values(), step.reading.quantity, step.reading.unit)
                range_of_all = [found.low, found.high] if found else None
            numbers = {key: float(each.magnitude) for key, each in asked.items()}
            yield (
                f"{flow.procedure}/{step.key}", told, numbers,
                {key: [each.low, each.high] for key, each in ranges.items()}, range_of_all,
            )  # fmt: skip


def test_the_device_comes_to_the_limits_of_the_server_on_every_shipped_step(page: Page) -> None:
    all_cases = list(cases())
    asked = json.dumps([[told, numbers] for _name, told, numbers, _ranges, _expected in all_cases])
    found = page.evaluate(
        """asked => JSON.parse(asked).map(([limits, given]) => {
          const ranges = Limits.rangesOf(limits, given);
          const told = ([key, { low, high }]) => [key, [String(low), String(high)]];
          return [Object.fromEntries(Object.entries(ranges).map(told)),
            Limits.expectedOf(limits, ranges)];
        })""",
        asked,
    )
    computed = 0
    for (name, told, _numbers, ranges, wanted), (here, about) in zip(all_cases, found, strict=True):
        assert here.keys() == ranges.keys(), name
        for key, (low, high) in ranges.items():
            assert [float(end.replace("Infinity", "inf")) for end in here[key]] == pytest.approx(
                [low, high], rel=1e-6
            ), name
        if len(ranges) == told["bands"] and not told.get("written"):
            assert (about is None) == (wanted is None), name
            if wanted is not None:
                assert [about["low"], about["high"]] == pytest.approx(wanted, rel=1e-6), name
        computed += sum(
            bool(end and end["of"]) for each in told["ends"].values() for end in (each["low"], each["high"])
        )
    assert len(all_cases) > 150
    assert computed > 60


TYPED = [
    "12.7", "12,7", " 12.7 V", "-0.02", "−3", "450 mV", "450mv", "1,234", "12.7.1", "two", "", ".5", "1e3", "12 bar",
    "5 Mohm", "5 mohm", "4.7kΩ", "20 °C", "68 degF", "300K", "1.5 mm²", "100 kPa", "14.5psi", "3 rpm", "12 V?",
]  # fmt: skip


@pytest.mark.parametrize("quantity", ["voltage", "resistance", "temperature", "pressure", "area", "frequency"])
def test_the_device_reads_what_is_typed_as_the_server_does(page: Page, quantity: str) -> None:
    """What it takes, the server takes and as the same; what it refuses, the server may yet understand."""
    unit = QUANTITIES[quantity][0]
    found = page.evaluate(
        "([typed, spellings, unit]) => typed.map(text => Limits.read(text, spellings, unit))",
        [TYPED, spellings(quantity), unit],
    )
    taken = 0
    for text, here in zip(TYPED, found, strict=True):
        try:
            reading = parse_reading(text, quantity, unit).quantity
        except ReadingError:
            assert "refused" in here, text
            continue
        if "number" in here:
            assert reading is not None
            assert here["number"] == pytest.approx(float(reading.exact(unit))), text
            taken += 1
    assert taken >= 5


COUNTED = builders.HORN_TEXT.replace(
    """    test: listen
    at: body/horn/relay
    access: cabin
    minutes: 1
    instruction: Press three times.
    outcomes:
      sounds: {label: Horn sounds, go: out, note: Not present at the moment.}
      click: {label: Relay clicks, go: supply}
""",
    """    test: measure
    at: body/horn/relay
    access: cabin
    minutes: 1
    trials: 10 times
    reading: {quantity: count, unit: times}
    outcomes:
      sounds: {label: Horn sounds, band: '< 2 times', go: out}
      click: {label: Relay clicks, band: '>= 2 times', go: supply}
""",
).replace("      silent: {label: Nothing to be heard, go: hand-over horn-control}\n", "")


@pytest.mark.django_db
def test_a_count_is_whole_on_the_device_too(page: Page, yard: None, senior: User, second: User, junior: User) -> None:
    """The page that the server makes for the device, with its own scripts and nothing around them."""
    draft = publishing.start_draft(builders.flow_from(COUNTED), by=senior, at=NOW)
    publishing.publish(draft, by=second, at=NOW)
    run = builders.start(builders.take_in(junior), draft.procedure, junior)
    sent = builders.signed_in(junior).get(reverse("jobs:pack-step", args=[run.pk, "press"])).content.decode()
    page.set_content(sent[sent.index('<div id="pack"') : sent.index("</main>")])
    page.add_script_tag(content=(SCRIPTS / "limits.js").read_text(encoding="utf-8"))
    page.evaluate(
        "window.kept = []; window.Outbox = { all: async () => [], add: async (item) => window.kept.push(item) }"
    )
    page.add_script_tag(content=(SCRIPTS / "pack.js").read_text(encoding="utf-8"))
    for typed, verdict in (
        ("2.5", "That cannot be: times are whole."), ("-1", "That cannot be."), ("1", "Horn sounds."),
        ("2", "Relay clicks."), ("10", "Relay clicks."),
    ):  # fmt: skip
        page.locator("#typed").fill(typed)
        expect(page.locator("#verdict")).to_contain_text(verdict)
    page.locator("#typed").fill("1.5")
    page.locator("[data-outcome=sounds]").click()
    assert page.evaluate("window.kept") == []
