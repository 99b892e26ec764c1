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
PLAIN_PARTS = ("svg", "title", "desc", "g", "rect", "circle", "ellipse", "path", "polyline", "text", "tspan")
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
    attributes = {name for part in parts for name in part.attrib}
    assert [name for name in attributes if name.startswith("on") or "href" in name or name in ("style", "class")] == []
    card = root.find(f"{SVG}rect")
    assert card is not None and (card.get("width"), card.get("height")) == (root.get("width"), root.get("height"))


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
