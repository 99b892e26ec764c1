from __future__ import annotations

import pytest

from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.cause_search import find_causes
from tests.builders import yard

__all__ = ["yard"]


@pytest.mark.usefixtures("yard")
@pytest.mark.parametrize(
    ("words", "first"),
    [("relay", "Horn relay: burnt contacts"), ("burnt relay", "Horn relay: burnt contacts"),
     ("Earth high", "Horn earth: high resistance"), ("contcats relay", "Horn relay: burnt contacts"),
     ("", ""), ("gearbox", ""), ("%_'", "")],
    ids=["part", "both-in-any-order", "case", "slip-of-the-finger", "nothing", "unknown", "odd"],
)  # fmt: skip
def test_a_cause_is_found_by_some_words(words: str, first: str) -> None:
    for component, mode in (("relay", "burnt contacts"), ("earth", "high resistance"), ("horn", "open circuit")):
        cause_for(f"body/horn/{component}", mode)
    assert next((str(cause) for cause in find_causes(words)), "") == first
