"""The README against the code: every command and setting is in its tables, and every link leads somewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from django.core.management import get_commands

from tests.conftest import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
PAPERS = ("README.md", "DEVELOPERS.md")
HIDDEN = {"flush"}
"""A command of the framework that ours makes safe; nobody calls it by our name."""


def ours() -> set[str]:
    return {name for name, room in get_commands().items() if room.startswith("shopkb.")} - HIDDEN


def settings_read() -> set[str]:
    files = [*(ROOT / "shopkb").rglob("*.py"), ROOT / "manage.py"]
    return {name for file in files for name in re.findall(r"\bSHOPKB_[A-Z_]+\b", file.read_text(encoding="utf-8"))}


def rows() -> Iterator[str]:
    return (line.split("|")[1] for line in README.splitlines() if line.startswith("| `"))


def test_every_command_has_a_row() -> None:
    named = {words.split()[0] for row in rows() for words in re.findall(r"`([a-z_]+[^`]*)`", row)}
    assert ours() <= named
    assert {name for name in named if "_" in name or name in get_commands()} <= ours()


def test_every_setting_has_a_row() -> None:
    named = {name for row in rows() for name in re.findall(r"SHOPKB_[A-Z_]+", row)}
    assert named == settings_read()


@pytest.mark.parametrize("paper", PAPERS)
def test_every_link_and_file_is_there(paper: str) -> None:
    text = (ROOT / paper).read_text(encoding="utf-8")
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    named = re.findall(r"`((?:tests|shopkb|flows|fixtures)/[\w/.-]+)`", text)
    assert [name for name in (*linked, *named) if not (ROOT / name).exists()] == []
