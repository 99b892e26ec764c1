"""Whoever runs it: people, meters and the catalogue on pages of our own, trees moved without damage."""

from __future__ import annotations

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, System
from shopkb.catalog.verifying import verify
from shopkb.procedures.models import Procedure

from .conftest import OFFICE, Visits

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
