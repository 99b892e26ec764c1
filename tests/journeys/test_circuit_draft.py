"""A writer builds the circuit of the horn from its parts, and has a first draft of the procedure made of it."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from shopkb.accounts.models import User
from shopkb.core.flow.model import TestKind
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of

from .conftest import OFFICE, TABLET, Visits
from .test_every_page import AXE, looked_at

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]

PARTS = (
    {"What comes next": "Fuse", "What it is called": "horn fuse", "Reached with": "In the cabin"},
    {
        "What comes next": "Relay, coil and contacts",
        "What it is called": "horn relay",
        "Component of the catalog": "body/horn/relay",
        "Reached with": "Bonnet open, engine cold and off",
        "Coil earthed by": "horn button",
    },
    {
        "What comes next": "Load, with its plug",
        "What it is called": "horn",
        "Component of the catalog": "body/horn/horn",
        "Reached with": "Bonnet open, engine cold and off",
        "Current at 13 V": "6",
    },
    {
        "What comes next": "Earth point",
        "What it is called": "horn earth point",
        "Reached with": "Bonnet open, engine cold and off",
    },
)


def put_in(page: Page, given: dict[str, str]) -> None:
    for label, text in given.items():
        box = page.get_by_label(label)
        if box.evaluate("box => box.tagName") == "SELECT":
            box.select_option(text)
        else:
            box.fill(text)
    page.get_by_role("button", name="Add this part").press("Enter")


def shots(visits: Visits, page: Page, name: str) -> None:
    for screen in (OFFICE, TABLET):
        page.set_viewport_size({"width": screen.width, "height": screen.height})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            visits.shot(page, f"{name}-{screen.name}-{scheme}")
    page.set_viewport_size({"width": OFFICE.width, "height": OFFICE.height})
    page.emulate_media(color_scheme="light")


def test_a_circuit_is_built_from_parts_and_becomes_a_draft(visits: Visits, catalog: None, senior: User) -> None:
    page = visits.open(OFFICE, senior, path="/procedures/new/desk/")
    page.get_by_label("Complaint or task in one line").fill("Horn does not sound")
    page.get_by_label("Vehicle system").select_option("body/horn")
    page.get_by_role("button", name="Begin writing").click()
    page.locator("#d-circuit > summary").click()
    page.get_by_role("link", name="From its parts").click()
    expect(page.get_by_text("The drawing comes once")).to_be_visible()
    for number, given in enumerate(PARTS, start=1):
        put_in(page, given)
        expect(page.get_by_text(f"Added: {given['What it is called']}.")).to_be_visible()
        if number == 2:
            put_in(page, {"What comes next": "Load, with its plug", "What it is called": "horn"})
            expect(page.get_by_text("Say what current it takes")).to_be_visible()
            expect(page.get_by_label("What it is called")).to_have_value("horn")
            visits.refused()
    expect(page.get_by_role("img", name="The circuit, switched on")).to_be_visible()
    shots(visits, page, "circuit-parts")
    page.get_by_role("button", name="Write a first draft").press("Enter")
    expect(page.get_by_role("heading", name="in the draft")).to_be_visible()
    page.evaluate(AXE)
    assert looked_at(page, "circuit", vehicle=False) == []
    shots(visits, page, "circuit-drafted")
    page.get_by_role("button", name="Write a first draft").click()
    expect(page.get_by_role("alert")).to_contain_text("steps already")
    visits.refused()
    page.get_by_role("link", name="Go on at the desk").click()
    expect(page.locator("#desk-top")).to_contain_text("Ready to publish")
    expect(page.get_by_label("Title of the step")).to_have_value("Is the complaint there now?")
    shots(visits, page, "circuit-draft-at-the-desk")
    flow = flow_of(Revision.objects.get(procedure__key="horn-does-not-sound"))
    measuring = [step for step in flow.steps if step.test is TestKind.MEASURE]
    assert len(measuring) > 5
    assert all(step.reading and step.access for step in measuring)
    visits.shot(page, "circuit-draft")
