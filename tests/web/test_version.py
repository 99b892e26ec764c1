"""The version moves with the list of changes, and people can read both."""

from __future__ import annotations

import re
import tomllib

import pytest
from django.test import Client
from django.urls import reverse

import shopkb
from shopkb.accounts.models import User
from shopkb.web.version import CHANGES
from tests.conftest import ROOT


def test_the_newest_changes_are_those_of_this_version() -> None:
    newest = re.findall(r"^## (\S+), \d{1,2} [A-Z][a-z]+ \d{4}$", CHANGES.read_text(encoding="utf-8"), re.MULTILINE)
    assert newest[0] == shopkb.__version__
    assert newest == sorted(newest, key=lambda number: tuple(map(int, number.split("."))), reverse=True)


def test_the_package_takes_its_version_from_the_program() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["dynamic"] == ["version"]
    assert project["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "shopkb.__version__"}


@pytest.mark.django_db
def test_every_page_leads_to_what_changed(client: Client, junior: User) -> None:
    client.force_login(junior)
    page = client.get(reverse("bench:bench")).content.decode()
    assert f'href="{reverse("version")}"' in page
    changed = client.get(reverse("version")).content.decode()
    assert f"<h1>Version {shopkb.__version__}</h1>" in changed
    assert "manage.py migrate" in changed
