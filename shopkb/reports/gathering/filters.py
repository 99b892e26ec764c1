"""What the figures are about: a period of whole months, and parts of the shop. Kept in the address of the page."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime

from django.utils.http import urlencode

from shopkb.core.diagnosis.counting.ageing import months_after
from shopkb.core.identifiers import PATH_FORM
from shopkb.web.months import first_moment

USUAL_MONTHS = 12
_MONTH = re.compile(r"((?:19|20)\d{2})-(0[1-9]|1[0-2])")
_PATH = re.compile(PATH_FORM)
TEXT_FIELDS = ("system", "symptom", "platform", "procedure", "person")


class FilterError(ValueError):
    """A filter in the address is invalid; the sentence says what would be right."""


@dataclass(frozen=True, slots=True)
class Filters:
    """``since`` to ``until`` are months (``YYYY-MM``), both within. Empty text means all.

    ``system`` and ``platform`` are paths and take in everything below them; ``symptom`` and ``procedure`` are keys;
    ``person`` is a log-in.
    """

    since: str
    until: str
    system: str = ""
    symptom: str = ""
    platform: str = ""
    procedure: str = ""
    person: str = ""

    @classmethod
    def of(cls, asked: Mapping[str, str], today: date) -> Filters:
        """From the address; by default the last twelve months, this one included.

        Raises:
            FilterError: a month or a path is not one, or the period ends before it begins.
        """
        until = _month(asked.get("until", "")) or f"{today:%Y-%m}"
        since = _month(asked.get("since", "")) or month_before(until, USUAL_MONTHS - 1)
        if since > until:
            raise FilterError(f"The period ends in {until}, before it begins in {since}. Turn the two round.")
        chosen = {name: asked.get(name, "").strip()[:300] for name in TEXT_FIELDS}
        for name, what in (("system", "A system"), ("platform", "A vehicle")):
            if chosen[name] and _PATH.fullmatch(chosen[name]) is None:
                raise FilterError(
                    f"{what} is a path of the tree, as in the list to choose from; got {chosen[name][:40]!r}."
                )
        return cls(since, until, **chosen)

    @classmethod
    def of_month(cls, text: str) -> Filters:
        """One month.

        Raises:
            FilterError: the text is none.
        """
        month = _month(text)
        if not month:
            raise FilterError("Say which month, as in 2026-03.")
        return cls(month, month)

    @property
    def months(self) -> tuple[str, ...]:
        months = [self.since]
        while months[-1] < self.until:
            months.append(month_before(months[-1], -1))
        return tuple(months)

    @property
    def begins(self) -> datetime:
        return first_moment(self.since)

    @property
    def ends(self) -> datetime:
        """The first moment after the period."""
        return first_moment(month_before(self.until, -1))

    @property
    def narrowed(self) -> bool:
        """Whether anything but the period is chosen."""
        return any(getattr(self, name) for name in TEXT_FIELDS)

    def but(self, **changes: str) -> Filters:
        return replace(self, **changes)

    def query(self, **more: str) -> str:
        """For an address: the filters and whatever else, empty ones left out."""
        return urlencode({name: value for name, value in (asdict(self) | more).items() if value})


def month_before(month: str, count: int = 1) -> str:
    """So many months earlier; later with a negative count."""
    return months_after(month, -count)


def _month(text: str) -> str:
    text = text.strip()
    if text and _MONTH.fullmatch(text) is None:
        raise FilterError(f"A month is written as in 2026-03; got {text[:20]!r}.")
    return text
