"""The drawings that steps of the shelf name: they exist, are plain, and explain the letters that the steps use.

Witness: the standard library's XML parser (well-formedness, XML 1.0).
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from tests.shelf import ROOT, SHELF

PICTURES = ROOT / "shopkb" / "procedures" / "static" / "procedures" / "pictures"
SVG = "{http://www.w3.org/2000/svg}"
DARK = (
    '@media (prefers-color-scheme: dark) { [fill="#FFFFFF"] { fill: #19222B } [fill="#16202B"] { fill: #F4F2EC } '
    '[stroke="#16202B"] { stroke: #F4F2EC } }'
)
"""The one style a picture has: card and ink of the dark theme (tokens.css) in place of those of the light one."""
PLAIN_PARTS = ("svg", "title", "desc", "style", "g", "rect", "circle", "ellipse", "path", "polyline", "text", "tspan")
NAMED = sorted({step.picture for flow in SHELF.values() for step in flow.steps if step.picture})


def test_every_named_picture_stands_in_the_folder_and_no_other() -> None:
    assert [path.name for path in sorted(PICTURES.iterdir())] == NAMED


@pytest.mark.parametrize("name", NAMED)
def test_a_picture_is_plain_and_says_what_it_shows(name: str) -> None:
    """Well-formed, titled, drawn on a card of its own, and nothing in it that runs, loads or restyles."""
    root = ElementTree.parse(PICTURES / name).getroot()
    parts = list(root.iter())
    assert root.tag == f"{SVG}svg"
    assert root.find(f"{SVG}title") is not None and (root.findtext(f"{SVG}title") or "").strip()
    assert (root.findtext(f"{SVG}desc") or "").strip()
    assert {part.tag for part in parts} <= {f"{SVG}{tag}" for tag in PLAIN_PARTS}
    assert [style.text for style in root.iter(f"{SVG}style")] == [DARK]
    colours = {part.get(kind) for part in parts for kind in ("fill", "stroke")}
    assert colours <= {None, "none", "#FFFFFF", "#16202B"}
    attributes = {name for part in parts for name in part.attrib}
    assert [name for name in attributes if name.startswith("on") or "href" in name or name in ("style", "class")] == []
    card = root.find(f"{SVG}rect")
    assert card is not None and (card.get("width"), card.get("height")) == (root.get("width"), root.get("height"))


def test_the_dark_colours_are_those_of_the_pages() -> None:
    tokens = (ROOT / "shopkb" / "web" / "static" / "web" / "tokens.css").read_text(encoding="utf-8")
    light, dark = tokens.split("@media (prefers-color-scheme: dark)")
    assert "--card: #FFFFFF;" in light and "--ink: #16202B;" in light
    assert "--card: #19222B;" in dark and "--ink: #F4F2EC;" in dark


@pytest.mark.parametrize("name", NAMED)
def test_every_letter_that_a_step_uses_is_explained_in_its_picture(name: str) -> None:
    words = [(part.text or "").strip() for part in ElementTree.parse(PICTURES / name).iter(f"{SVG}tspan")]
    explained = set(words[::2])
    used = {
        letter
        for flow in SHELF.values()
        for step in flow.steps
        if step.picture == name and step.reading
        for letter in re.findall(r"\*\*([A-L])\*\*", step.instruction)
        + re.findall(r"\(([A-L])\)", " ".join(step.reading.between))
    }
    assert used <= explained != set()
