"""Figures of branches from tallies: by hand, and the interval against statsmodels' Jeffreys interval at 80 %."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from statsmodels.stats.proportion import proportion_confint

from shopkb.charts.branch_notes import BranchNote
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.core.flow.model import Flow
from shopkb.evidence import learning
from shopkb.evidence.procedure_record import ProcedureRecord, records
from tests.builders import HORN_TEXT, flow_from
from tests.evidence.unpooled import branch_notes, tallies

HORN = "body/horn/horn#open circuit"
GROUND = "body/horn/earth#high resistance"
RELAY = "body/horn/relay#burnt contacts"
ELSEWHERE = "body/horn/button#open circuit"


@pytest.fixture(scope="module")
def flow() -> Flow:
    return flow_from(HORN_TEXT)


def key(step: str, outcome: str, cause: str = "", platform: str = "curlew/dunlin", month: str = "2026-03") -> TallyKey:
    return TallyKey("horn-silent", step, outcome, cause, "measured" if cause else "", platform, month)


def test_without_evidence_every_branch_says_nothing(flow: Flow) -> None:
    notes = branch_notes(flow, {})
    branches = {(step.key, outcome.key) for step in flow.steps for outcome in step.outcomes}
    assert set(notes) == branches
    assert set(notes.values()) == {BranchNote(jobs=0, successes=0, traffic=0, low=None, high=None)}


def test_success_is_a_cause_that_still_lies_behind_the_branch(flow: Flow) -> None:
    """Full supply rules the relay out: 6 horns and 2 grounds are successes, 1 relay and 1 button are not.

    Three more jobs took it without a proven cause: traffic 13, verified 10, success 8.
    """
    found = {
        key("supply", "full", HORN): TallySums(6),
        key("supply", "full", GROUND): TallySums(2),
        key("supply", "full", RELAY): TallySums(1),
        key("supply", "full", ELSEWHERE): TallySums(1),
        key("supply", "full"): TallySums(3),
        key("supply", "weak", RELAY): TallySums(4),
        key("press", "sounds"): TallySums(5),
    }
    notes = branch_notes(flow, found)
    full = notes[("supply", "full")]
    assert (full.jobs, full.successes, full.traffic) == (10, 8, 13)
    low, high = proportion_confint(8, 10, alpha=0.2, method="jeffreys")
    assert (full.low, full.high) == pytest.approx((low, high), abs=1e-9)
    weak = notes[("supply", "weak")]
    assert (weak.jobs, weak.successes, weak.traffic, weak.high) == (4, 4, 4, 1.0)
    assert notes[("press", "sounds")] == BranchNote(jobs=0, successes=0, traffic=5, low=None, high=None)


@pytest.mark.parametrize("jobs", [2, 7, 40])
def test_intervals_are_statsmodels_jeffreys_at_80_percent(flow: Flow, jobs: int) -> None:
    """Brown, Cai and DasGupta (2001) set the lower end to 0 at no success and the upper to 1 at none but successes."""
    for successes in range(jobs + 1):
        found = {
            key("ground", "good", HORN): TallySums(successes),
            key("ground", "good", RELAY): TallySums(jobs - successes),
        }
        note = branch_notes(flow, {one: part for one, part in found.items() if part})[("ground", "good")]
        low, high = proportion_confint(successes, jobs, alpha=0.2, method="jeffreys")
        low, high = (0.0 if successes == 0 else low), (1.0 if successes == jobs else high)
        assert (note.jobs, note.successes) == (jobs, successes)
        assert (note.low, note.high) == pytest.approx((low, high), abs=1e-9)


def test_a_comeback_is_no_success_and_no_job(flow: Flow) -> None:
    found = {key("direct", "silent"): TallySums(2, rejected=1), key("direct", "silent", HORN): TallySums(came_back=1)}
    note = branch_notes(flow, found)[("direct", "silent")]
    assert (note.jobs, note.successes, note.traffic, note.low) == (0, 0, 2, None)


def test_tallies_are_summed_over_platforms_and_months_in_one_query(db: None, flow: Flow) -> None:
    learning.add_evidence(
        {
            key("supply", "full", HORN): TallySums(2, 1, 60, 3600),
            key("supply", "full", HORN, platform="godwit"): TallySums(3),
            key("supply", "full", HORN, month="2026-02"): TallySums(4, 1, 30, 900),
            TallyKey("other", "supply", "full", HORN, "measured", "godwit", "2026-02"): TallySums(9),
        }
    )
    with CaptureQueriesContext(connection) as queries:
        found = tallies("horn-silent")
    assert len(queries) == 1
    assert found == {key("supply", "full", HORN, platform="", month=""): TallySums(9, 2, 90, 4500)}


def test_the_record_of_a_procedure(db: None) -> None:
    """Four jobs, one of them not proven; three with a known time of 20 minutes together."""
    learning.add_evidence(
        {
            key("", "", HORN): TallySums(2, 2, 900, 500_000),
            key("", "", GROUND): TallySums(1),
            key("", ""): TallySums(1, 1, 300, 90_000),
            key("press", "click", HORN): TallySums(8, 8, 99, 99),
        }
    )
    with CaptureQueriesContext(connection) as queries:
        found = records(["horn-silent", "unheard-of"])
    assert len(queries) == 1
    assert found == {"horn-silent": ProcedureRecord(jobs=4, verified=3, minutes=1200 / 3 / 60)}
    assert records([]) == {}
