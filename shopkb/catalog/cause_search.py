"""Finding a cause by some words of it."""

from __future__ import annotations

from collections.abc import Sequence

from rapidfuzz import fuzz

from shopkb.catalog.models import Cause

LIKE_ENOUGH = 80
"""Of 100: how like a word of the cause each word typed has to be. Our choice: a slip of the finger passes."""
FOUND = 8


def find_causes(words: str, limit: int = FOUND) -> Sequence[Cause]:
    """The causes these words are likest to, likest first; none without words. One query."""
    typed = words.lower()[:100].split()
    if not typed:
        return []
    rows = Cause.objects.select_related("component").order_by("component__name", "mode")
    likeness = [(_likeness(typed, row), row) for row in rows]
    near = [(share, row) for share, row in likeness if share >= LIKE_ENOUGH]
    return [row for _share, row in sorted(near, key=lambda each: -each[0])[:limit]]


def _likeness(typed: Sequence[str], row: Cause) -> float:
    """How like the cause the worst of the words typed is; a part of a word is like it."""
    text = f"{row.component.path.replace('/', ' ').replace('-', ' ')} {row}".lower().replace(":", " ")
    return min(100.0 if word in text else max(fuzz.ratio(word, other) for other in text.split()) for word in typed)
