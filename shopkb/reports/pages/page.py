"""A page of figures as a value, and the links and words that its tables share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache

from django.urls import reverse
from django.utils.http import urlencode
from django.utils.text import capfirst

from shopkb.core.flow.names import cause_words, words_of_key
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.presenting.tables import Table

WIDE = 8
"""Columns from which a table does not fit on a portrait sheet."""


@dataclass(frozen=True, slots=True)
class Page:
    """``plots`` are inline SVG by the name of the table that says the same; ``facts`` are (words,
    figure, link)."""

    name: str
    title: str
    intro: str
    tables: tuple[Table, ...]
    plots: Mapping[str, str] = field(default_factory=dict)
    facts: tuple[tuple[str, str, str], ...] = ()
    paragraph: str = ""

    @property
    def is_wide(self) -> bool:
        """Whether one of its tables needs a landscape sheet."""
        return any(len(table.shown) >= WIDE and table.rows for table in self.tables)

    def sorted(self, by: str) -> Page:
        """With the first table that has such a column sorted by it."""
        key = by.removeprefix("-")
        for place, table in enumerate(self.tables):
            if key and table.column(key) is not None:
                tables = (*self.tables[:place], table.sorted(by), *self.tables[place + 1 :])
                return replace(self, tables=tables)
        return self


def jobs_behind(filters: Filters, **more: str) -> str:
    """Address of the list of the closed jobs behind a figure."""
    return _list_of_jobs(
        (("state", "closed"), ("since", filters.since), ("until", filters.until)),
        tuple(more.items()),
        (("platform", filters.platform), ("symptom", more.get("symptom", filters.symptom))),
    )


def jobs_tallied(filters: Filters, **more: str) -> str:
    """The same behind a figure from tallies, which do not know what a job came in with: a symptom chooses procedures,
    and every job that followed them is counted."""
    return jobs_behind(filters.but(symptom=""), **more)


Asked = tuple[tuple[str, str], ...]


@lru_cache(maxsize=8192)
def _list_of_jobs(*parts: Asked) -> str:
    """Cached: a page has more than a thousand of these addresses, most of them the same as before."""
    asked = {name: value for part in parts for name, value in part if value}
    return f"{reverse('jobs:list')}?{urlencode(asked)}"


def on_jobs(jobs: int) -> str:
    """Below a count of answers or repairs: on how many jobs, which the list behind it shows."""
    return f"on {jobs} job{'' if jobs == 1 else 's'}" if jobs else ""


def one_job(number: int) -> str:
    return reverse("jobs:job", args=[number])


def procedure_at(key: str) -> str:
    return reverse("procedures:procedure", args=[key])


def look_for(**asked: str) -> str:
    """Address of the list of procedures, searched for what is missing; a writer begins a procedure there."""
    return f"{reverse('procedures:list')}?{urlencode(asked)}"


def cause_name(identity: str) -> str:
    """``cooling/fan/fan-resistor#open circuit`` as ``Fan resistor: open circuit``."""
    return capfirst(cause_words(identity))


def path_name(path: str, names: Mapping[str, str]) -> str:
    """The names from the top down to a path, with the keys where no name is known."""
    parts = path.split("/")
    paths = ("/".join(parts[: depth + 1]) for depth in range(len(parts)))
    return ", ".join(names.get(each) or capfirst(words_of_key(part)) for each, part in zip(paths, parts, strict=True))
