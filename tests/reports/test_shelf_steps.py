"""Steps that want a look: readings that changed, as measured at night, and steps that are often left out."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from shopkb.accounts.models import User
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.evidence.learning import learn
from shopkb.evidence.models import QualityRecord
from shopkb.jobs.measuring import reading_changes, records_of
from shopkb.procedures.models import Procedure
from tests.builders import HORN_TEXT, flow_from, get, signed_in, words_of
from tests.conftest import NOW
from tests.evidence.test_learning import CASE

BEFORE = (12.4, 12.5, 12.6, 12.3, 12.5, 12.4, 12.6, 12.5)
LATE = (11.2, 11.3, 11.1, 11.4, 11.2, 11.3)


def _case(number: int, volts: float, month: str) -> ClosedCase:
    result = CaseResult("horn-silent", "supply", "full", reading=Decimal(str(volts)), unit="V")
    return replace(CASE, job=number, month=month, results=(result,))


def _cases() -> list[ClosedCase]:
    early = [_case(number, volts, "2025-04") for number, volts in enumerate(BEFORE)]
    return [*early, *(_case(100 + number, volts, "2026-02") for number, volts in enumerate(LATE))]


def test_readings_that_fell_are_told() -> None:
    """Medians 12.5 V of eight and 11.25 V of six, by hand; within one period nothing is told."""
    flow = flow_from(HORN_TEXT)
    (found,) = reading_changes(flow, _cases(), "2026-03")
    assert (found.step, found.outcome, found.unit, found.n_before, found.n_of_late) == ("supply", "full", "V", 8, 6)
    assert (found.before, found.of_late) == (pytest.approx(12.5), pytest.approx(11.25))
    assert reading_changes(flow, _cases(), "2027-06") == []


def test_both_stand_on_the_page_of_the_shelf(horn: Procedure, manager: User) -> None:
    """The supply was left out on six of nine jobs."""
    QualityRecord.objects.bulk_create(records_of(flow_from(HORN_TEXT), _cases(), NOW, "", []))
    left = CaseResult("horn-silent", "supply", "", skipped="no-time")
    for number in range(9):
        learn(None, replace(CASE, job=number, results=(left,) if number < 6 else _cases()[0].results))
    page = words_of(get(signed_in(manager), "/figures/shelf/", since="2025-04", until="2026-03")[0])
    assert "12.50 V" in page or "12.5 V" in page
    assert "11.2 V" in page and "8 readings" in page and "6 readings" in page
    assert "6 of 9" in page and "no time for it now 6" in page
