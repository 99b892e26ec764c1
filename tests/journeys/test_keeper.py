"""Whoever runs it: people and catalog in the admin, trees moved without damage."""

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
    page.get_by_role("link", name="Catalogue", exact=True).click()
    page.get_by_role("link", name="Cautions", exact=True).click()
    page.goto(visits.address + reverse("admin:catalog_caution_add"))
    page.get_by_label("Key").fill("hot-lamp")
    page.get_by_label("Signal").select_option("CAUTION")
    page.get_by_label("Title").fill("Hot lamp")
    page.get_by_label("Text").fill("Let it cool before you hold it.")
    page.get_by_role("button", name="Save", exact=True).click()
    made = Caution.objects.get(key="hot-lamp")
    page.goto(visits.address + reverse("admin:catalog_caution_change", args=[made.pk]))
    page.get_by_label("Title").fill("Hot test lamp")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("#result_list")).to_contain_text("Hot test lamp")
    made.refresh_from_db()
    assert (made.title, made.key) == ("Hot test lamp", "hot-lamp")


def test_a_system_is_moved_without_damage(visits: Visits, catalog: None, keeper: User) -> None:
    node = System.objects.get(path="cooling/hoses")
    page = visits.open(OFFICE, keeper, path=reverse("admin:catalog_system_change", args=[node.pk]))
    page.get_by_label("Parent").select_option(str(System.objects.get(path="engine").pk))
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("#result_list")).to_contain_text("engine/hoses")
    assert System.objects.get(pk=node.pk).path == "engine/hoses"
    assert verify(System).findings == ()


@pytest.mark.one_database
def test_a_system_in_use_stays(visits: Visits, shelf: dict[str, Procedure], keeper: User) -> None:
    node = System.objects.get(path="cooling/hoses")
    page = visits.open(OFFICE, keeper, path=reverse("admin:catalog_system_delete", args=[node.pk]))
    expect(page.locator("#content")).to_contain_text("would require deleting the following protected related objects")
    expect(page.get_by_role("button", name="Yes")).to_have_count(0)
    assert System.objects.filter(pk=node.pk).exists()


@pytest.mark.one_database
def test_the_front_page_names_the_upkeep(visits: Visits, catalog: None, keeper: User) -> None:
    page = visits.open(OFFICE, keeper)
    expect(page.locator("main")).to_contain_text("No backup was made yet.")
    expect(page.locator("main")).to_contain_text("manage.py verify")
    page.get_by_role("link", name="People and catalog").click()
    expect(page.locator("h1")).to_be_visible()
