"""The recipes for running a shop name only commands, options and settings that there are, and the limits in force."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.core.management import get_commands, load_command_class

from shopkb.upkeep.management.commands.serve import LARGEST_BODY
from tests.conftest import ROOT

RECIPES = sorted((ROOT / "shopkb" / "upkeep" / "recipes").glob("*.txt"))
CALL = re.compile(r"manage\.py (\w+)((?: --[\w-]+(?: [^\s\"]+)?)*)")


def test_there_is_one_for_each_system_and_for_tls() -> None:
    assert [path.stem for path in RECIPES] == ["container", "proxy", "systemd", "windows"]


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda path: path.stem)
def test_commands_options_and_settings_are_there(recipe: Path) -> None:
    text = recipe.read_text(encoding="utf-8")
    for name, options in CALL.findall(text):
        app = get_commands()[name]
        parser = load_command_class(str(app), name).create_parser("manage.py", name)
        assert {word for word in options.split() if word.startswith("--")} <= set(parser._option_string_actions)
    read = {
        name
        for file in ("settings.py", "environment.py")
        for name in re.findall(r"SHOPKB_\w+", (ROOT / "shopkb" / file).read_text(encoding="utf-8"))
    }
    assert set(re.findall(r"SHOPKB_[A-Z_]+", text)) <= read


def test_the_proxy_lets_in_what_the_shop_takes() -> None:
    text = next(path for path in RECIPES if path.stem == "proxy").read_text(encoding="utf-8")
    megabytes = int(re.search(r"client_max_body_size\s+(\d+)m;", text)[1])  # type: ignore[index]
    assert megabytes * 1024 * 1024 == LARGEST_BODY
    assert {"X-Forwarded-For   $remote_addr", "X-Forwarded-Proto $scheme"} <= set(re.findall(r"X-F[^;]+", text))
