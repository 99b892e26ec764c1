"""Contrast of every pair of colours that the style sheets lay on each other.

WCAG 2.2: 7:1 for text (1.4.6), signal words too though they are large, 3:1 for edges and marks (1.4.11). Examples to
check the formula itself: tests/data/published/wcag22_contrast_examples.csv (contrast by the definition in WCAG 2.2).
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from .styles import STYLES, rules, tokens


def published(name: str) -> list[dict[str, str]]:
    """Rows of a published table kept with the tests."""
    text = (Path(__file__).parents[1] / "data" / "published" / name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


LIGHT, DEVICE_DARK, CHOSEN_DARK = tokens()
THEMES = {"light": LIGHT, "dark": CHOSEN_DARK}

TEXT = [
    *(("ink", ground) for ground in ("paper", "card", "tint")),
    *(("soft", ground) for ground in ("paper", "card")),
    *(("petrol", ground) for ground in ("paper", "card", "tint")),
    ("on-petrol", "petrol"),
    ("paper", "ink"),
    ("on-amber", "amber"),
    ("on-head", "head"),
]
SIGNAL_WORDS = [(f"signal-{word}-text", f"signal-{word}") for word in ("danger", "warning", "caution", "notice")]
EDGES = [
    *(("edge", ground) for ground in ("paper", "card", "tint")),
    *(("ink", ground) for ground in ("paper", "card", "tint")),
    *(("petrol", ground) for ground in ("paper", "card", "tint")),
]


def luminance(colour: str) -> float:
    """Relative luminance of ``#RRGGBB``, as WCAG 2.2 defines it."""
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, 1 to 21, as WCAG 2.2 defines it."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("row", published("wcag22_contrast_examples.csv"), ids=str)
def test_contrast_agrees_with_published_examples(row: dict[str, str]) -> None:
    assert contrast(row["text"], row["background"]) == pytest.approx(float(row["contrast_ratio"]), abs=0.002)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("text", "ground"), TEXT)
def test_text_stands_out_seven_to_one(theme: str, text: str, ground: str) -> None:
    assert contrast(THEMES[theme][f"--{text}"], THEMES[theme][f"--{ground}"]) >= 7


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("edge", "ground"), EDGES)
def test_edges_stand_out_three_to_one(theme: str, edge: str, ground: str) -> None:
    assert contrast(THEMES[theme][f"--{edge}"], THEMES[theme][f"--{ground}"]) >= 3


@pytest.mark.parametrize(("text", "ground"), SIGNAL_WORDS)
def test_signal_words_stand_out_and_are_large(text: str, ground: str) -> None:
    word = next(rule for rule in rules("components.css") if rule.selector == ".caution .word")
    assert contrast(LIGHT[f"--{text}"], LIGHT[f"--{ground}"]) >= 7
    assert "font-size: max(1.05rem, 20px); font-weight: 800;" in word.body  # large: 14 pt (18.7 px) bold and up


def test_a_tinted_ground_turns_soft_text_into_ink() -> None:
    """Soft on tint has 6.7:1 in the light theme, so it is not used there."""
    tinted = [rule for rule in rules("components.css") if "background: var(--tint)" in rule.body]
    assert {rule.selector for rule in tinted} == {
        "button:active, .button:active",
        ".tint",
        "tr[aria-current] > *",
    }
    soft_again = {rule.selector for rule in rules("components.css") if "--soft: var(--ink)" in rule.body}
    assert soft_again == {".tint", "tr[aria-current]"}


def test_both_dark_themes_are_the_same() -> None:
    assert DEVICE_DARK == CHOSEN_DARK
    assert set(DEVICE_DARK) == set(LIGHT)


@pytest.mark.parametrize("row", published("safety_signal_words.csv"), ids=str)
def test_signal_colours_are_those_of_the_standard(row: dict[str, str]) -> None:
    """ANSI Z535.6 and ISO 3864-2 name the hues; the screen values stand in the published file."""
    word = row["signal_word"].lower()
    assert LIGHT[f"--signal-{word}"] == row["suggested_screen_background"]
    assert LIGHT[f"--signal-{word}-text"] == row["suggested_screen_text"]


def test_signal_colours_serve_signal_words_alone() -> None:
    sheets = sorted(path.name for path in STYLES.glob("*.css"))
    users = [rule for sheet in sheets for rule in rules(sheet) if "var(--signal-" in rule.body]
    on_cautions, on_cards = r"\.caution\.[\w-]+ \.word(?: \.bang)?", r"\.chart \.fill-(?:signal-\w+|on-\w+-signal)"
    in_lines = r"\.caution-lines \.signal\.[\w-]+"
    assert len(users) == 7 + 3 + 6
    assert all(re.fullmatch(f"{on_cautions}|{in_lines}|{on_cards}", rule.selector) for rule in users)
    values = {value for name, value in LIGHT.items() if name.startswith("--signal-") and not name.endswith("-text")}
    for path in [*STYLES.glob("*.css"), *STYLES.glob("*.js"), *STYLES.glob("*.svg")]:
        text = path.read_text(encoding="utf-8")
        expected = 1 if path.name == "tokens.css" else 0
        assert [text.upper().count(value) for value in sorted(values)] == [expected] * 4, path.name


def test_no_other_colour_is_written_anywhere() -> None:
    """All colours are tokens: neither a green nor a red can creep in as a meaning."""
    for sheet in ("base.css", "components.css", "chart.css"):
        text = (STYLES / sheet).read_text(encoding="utf-8")
        assert not re.findall(r"#[0-9A-Fa-f]{3,8}\b|\brgba?\(|\bhsla?\(|\boklch\(", text), sheet
        assert not re.findall(r":\s*(?:red|green|lime|crimson|tomato|orange|yellow|blue)\b", text), sheet
    assert {value.upper() for rule in rules("print.css") for value in re.findall(r"#[0-9A-Fa-f]{6}", rule.body)} == {
        "#FFFFFF",
        "#000000",
    }


def test_styles_are_flat() -> None:
    for path in STYLES.glob("*.css"):
        assert not re.findall(r"box-shadow|text-shadow|drop-shadow|gradient\(", path.read_text(encoding="utf-8")), path
