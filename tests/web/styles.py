"""Reads our style sheets as far as the tests need: rules, declarations, the tokens of each theme."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import shopkb.web

FOLDER = Path(shopkb.web.__file__).parent
STYLES = FOLDER / "static" / "web"


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: its file, its selector, its declarations as text."""

    sheet: str
    selector: str
    body: str


def rules(sheet: str) -> list[Rule]:
    """All innermost rules of a sheet, comments left out."""
    text = re.sub(r"/\*.*?\*/", "", (STYLES / sheet).read_text(encoding="utf-8"), flags=re.DOTALL)
    return [
        Rule(sheet, " ".join(selector.split()), body.strip())
        for selector, body in re.findall(r"([^{};]+)\{([^{}]*)\}", text)
    ]


def declared(body: str) -> dict[str, str]:
    """Custom properties of a rule."""
    return dict(re.findall(r"(--[\w-]+):\s*([^;]+);", body))


def tokens() -> tuple[dict[str, str], dict[str, str], dict[str, str]]:
    """Tokens of the light theme, of the device's dark theme, and of the chosen dark theme (each laid over light)."""
    by_selector = {rule.selector: declared(rule.body) for rule in rules("tokens.css")}
    light = by_selector[":root"]
    return (
        light,
        light | by_selector[':root:not([data-theme="light"])'],
        light | by_selector[':root[data-theme="dark"]'],
    )
