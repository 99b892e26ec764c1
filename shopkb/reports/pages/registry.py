"""The pages of figures by name, for views, files and the command."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

from shopkb.reports.figures.confirmed_causes import By
from shopkb.reports.gathering.filters import FilterError, Filters
from shopkb.reports.pages import (
    calibration_page,
    causes_page,
    changes_page,
    comebacks_page,
    minutes_page,
    people_page,
    shelf_page,
    tests_page,
)
from shopkb.reports.pages.page import Page

Build = Callable[[Filters, datetime], Page]

PAGES: Mapping[str, Build] = {
    "changes": changes_page.build,
    "tests": tests_page.build,
    "minutes": minutes_page.build,
    "comebacks": comebacks_page.build,
    "causes": causes_page.build,
    "shelf": shelf_page.build,
    "honesty": calibration_page.build,
    "people": people_page.build,
}

TABS: Mapping[str, str] = {
    "changes": "What to change next",
    "tests": "Tests",
    "minutes": "Minutes",
    "comebacks": "Comebacks",
    "causes": "Causes",
    "shelf": "Shelf",
    "honesty": "Probabilities",
    "people": "People",
}


def page(name: str, filters: Filters, now: datetime, *, by: str = "", sort: str = "") -> Page:
    """A page of figures.

    Raises:
        KeyError: there is none of that name.
        FilterError: ``by`` is nothing that causes are counted by.
    """
    if name == "causes" and by:
        if by not in set(By):
            raise FilterError(f"Causes are counted by {', '.join(By)}; got {by[:20]!r}.")
        return causes_page.build(filters, now, By(by)).sorted(sort)
    return PAGES[name](filters, now).sorted(sort)
