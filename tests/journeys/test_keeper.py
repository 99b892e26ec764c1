"""Whoever runs it: people, meters and the catalogue on pages of our own, trees moved without damage."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, System
from shopkb.catalog.verifying import verify
from shopkb.jobs.models import Vehicle
from shopkb.procedures.models import Procedure

from .conftest import OFFICE, SCREENS, Visits
from .test_every_page import AXE, looked_at

pytestmark = [pytest.mark.journey, pytest.mark.django_db(transaction=True)]


def test_a_caution_is_added_and_changed(visits: Visits, catalog: None, keeper: User) -> None:
    page = visits.open(OFFICE, keeper)
    page.get_by_role("link", name="Catalogue", exact=True).first.click()
    page.get_by_role("link", name="Cautions").click()
    page.get_by_role("link", name="New caution").click()
    page.get_by_label("Signal").select_option("CAUTION")
    page.get_by_label("Title").fill("Hot lamp")
    page.get_by_label("Text").fill("Let it cool before you hold it.")
    page.get_by_role("button", name="Store it").click()
    expect(page.locator(".messages")).to_contain_text("CAUTION: Hot lamp is stored.")
    page.get_by_label("Find by some words").fill("hot lamp")
    expect(page.locator("#rows li")).to_have_count(1)
    page.get_by_role("link", name="CAUTION: Hot lamp").click()
    page.get_by_label("Title").fill("Hot test lamp")
    page.get_by_role("button", name="Store it").click()
    expect(page.locator(".messages")).to_contain_text("Hot test lamp is stored.")
    made = Caution.objects.get(key="hot-lamp")
    assert made.title == "Hot test lamp"


def test_a_system_is_moved_without_damage(visits: Visits, catalog: None, keeper: User) -> None:
    node = System.objects.get(path="cooling/hoses")
    page = visits.open(OFFICE, keeper, path=reverse("catalog:entry", args=["systems", node.pk]))
    page.get_by_label("Parent").select_option(str(System.objects.get(path="engine").pk))
    page.get_by_role("button", name="Store it").click()
    expect(page.locator("#rows")).to_contain_text("engine/hoses")
    assert System.objects.get(pk=node.pk).path == "engine/hoses"
    assert verify(System).findings == ()


@pytest.mark.one_database
def test_a_system_in_use_stays(visits: Visits, shelf: dict[str, Procedure], keeper: User) -> None:
    node = System.objects.get(path="cooling/hoses")
    page = visits.open(OFFICE, keeper, path=reverse("catalog:entry", args=["systems", node.pk]))
    page.get_by_role("link", name="Take it out").click()
    expect(page.locator("main")).to_contain_text("It stays: it is used by")
    expect(page.get_by_role("button", name="Take it out")).to_have_count(0)
    assert System.objects.filter(pk=node.pk).exists()


def test_a_colleague_gets_an_account_and_a_meter_its_ranges(visits: Visits, catalog: None, keeper: User) -> None:
    page = visits.open(OFFICE, keeper)
    page.get_by_role("link", name="People", exact=True).click()
    page.get_by_role("link", name="New account").click()
    page.get_by_label("Name to sign in with").fill("nia")
    page.get_by_label("Name as the shop says it").fill("Nia")
    page.get_by_role("radio", name="technician").check()
    page.get_by_label("First password").fill("reed-bed-lantern-7")
    page.get_by_role("button", name="Store it").click()
    expect(page.get_by_role("link", name="Nia nia, technician")).to_be_visible()
    page.get_by_role("link", name="Catalogue", exact=True).first.click()
    page.get_by_role("link", name="Meters").click()
    page.get_by_role("link", name="New meter").click()
    page.get_by_label("Name", exact=True).fill("Clamp of bay 2")
    page.get_by_label("Quantity, range 1").select_option("current")
    for label, value in (
        ("Range, up to", "40 A"),
        ("% of the reading", "1.5"),
        ("Counts", "5"),
        ("Last digit", "10 mA"),
    ):
        page.get_by_label(f"{label}, range 1").fill(value)
    page.get_by_role("button", name="Store it").click()
    expect(page.get_by_role("link", name="Clamp of bay 2 1 range")).to_be_visible()
    nia = visits.open(OFFICE)
    nia.get_by_label("Name").fill("nia")
    nia.get_by_label("Password").fill("reed-bed-lantern-7")
    nia.keyboard.press("Enter")
    expect(nia.locator("body")).to_contain_text("Nia")


@pytest.mark.one_database
def test_the_front_page_names_the_upkeep(visits: Visits, catalog: None, keeper: User) -> None:
    page = visits.open(OFFICE, keeper)
    expect(page.locator("main")).to_contain_text("No backup was made yet.")
    expect(page.locator("main")).to_contain_text("manage.py verify")
    page.get_by_role("link", name="People", exact=True).click()
    expect(page.locator("h1")).to_have_text("People")


WRONG = {40: "SB 0038,SHORT,Dunlin minibus,2015,A-38", 120: ",,Dunlin minibus,,", 299: "SB 0297,,Avocet,,"}
"""Lines of the list of which something is wrong: a VIN, the registration, the vehicle."""


def fleet() -> str:
    """300 vehicles as an office may keep them: by semicolons, headings of its own, three lines wrong."""
    lines = [f"SB {number:04d},,Curlew Dunlin minibus,{2008 + number % 9},A-{number}" for number in range(300)]
    for line, text in WRONG.items():
        lines[line - 2] = text
    return "\r\n".join(["Plate;Chassis no;What it is;Year;Our key", *(line.replace(",", ";") for line in lines)])


def test_a_list_of_300_vehicles_is_looked_at_taken_in_and_put_right(
    visits: Visits, catalog: None, keeper: User, tmp_path: Path
) -> None:
    """Two columns are chosen by hand; what is wrong comes back as a file, which is put right and read in."""
    page = visits.open(OFFICE, keeper)
    page.get_by_role("link", name="Read vehicles in").click()
    visits.shot(page, "read-vehicles")
    choose(page, "fleet.csv", fleet().encode("cp1252"))
    expect(page.locator("main")).to_contain_text("separated by semicolons, 300 lines of data")
    page.get_by_label("Vehicle", exact=True).select_option("What it is")
    page.get_by_label("Customer's reference").select_option("Our key")
    page.get_by_role("button", name="Look again").click()
    expect(page.get_by_role("status")).to_contain_text("297 would be new")
    for line in WRONG:
        expect(page.get_by_role("rowheader", name=str(line), exact=True)).to_be_visible()
    shots(visits, page, "vehicles-understood")
    assert not Vehicle.objects.exists()
    page.get_by_role("button", name="Take 297 vehicles in").click()
    expect(page.locator("h1")).to_have_text("Vehicles taken in")
    expect(page.get_by_role("status")).to_contain_text("297 new, 0 changed; 0 already there as they are.")
    shots(visits, page, "vehicles-taken-in")
    assert Vehicle.objects.count() == 297
    with page.expect_download() as taken:
        page.get_by_role("button", name="Wrong lines as CSV").click()
    wrong = taken.value.path().read_text(encoding="utf-8-sig")
    assert [row["Line"] for row in csv.DictReader(io.StringIO(wrong))] == [str(line) for line in WRONG]
    right = (
        wrong.replace("SHORT", "").replace("Avocet", "Curlew Dunlin minibus").replace(",,,Dunlin", ",SB 0900,,Dunlin")
    )
    page.get_by_role("link", name="Another file").click()
    choose(page, taken.value.suggested_filename, right.encode())
    page.get_by_label("Vehicle", exact=True).select_option("What it is")
    page.get_by_label("Customer's reference").select_option("Our key")
    page.get_by_role("button", name="Look again").click()
    page.get_by_role("button", name="Take 3 vehicles in").click()
    expect(page.get_by_role("status")).to_contain_text("3 new")
    assert Vehicle.objects.count() == 300
    assert Vehicle.objects.get(registration="SB 0038").customer_reference == "A-38"


def choose(page: Page, name: str, body: bytes) -> None:
    page.get_by_label("The list").set_input_files({"name": name, "mimeType": "text/csv", "buffer": body})
    page.get_by_role("button", name="Look at it").click()
    expect(page.locator("h1")).to_have_text("What was understood")


def shots(visits: Visits, page: Page, name: str) -> None:
    """A page that no address opens obeys the rules of every page too, at each size."""
    page.evaluate(AXE)
    assert looked_at(page, name, vehicle=False) == []
    page.emulate_media(color_scheme="light")
    for screen in SCREENS:
        page.set_viewport_size({"width": screen.width, "height": screen.height})
        visits.shot(page, f"{name}-{screen.width}")
