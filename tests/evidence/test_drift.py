"""What has changed lately, read from the tallies."""

from __future__ import annotations

from django.db import connection
from django.test.utils import CaptureQueriesContext

from shopkb.evidence import learning
from shopkb.evidence.recent_evidence import recent_evidence
from tests.core.diagnosis.flows import GROUND, HORN, horn, tally, together


def test_a_fallen_branch_is_seen_and_remembered_at_the_price_of_one_query(db: None) -> None:
    parts = (
        tally("ground", "bad", GROUND, 30, month="2025-02"), tally("ground", "bad", GROUND, 1, month="2026-09"),
        tally("ground", "bad", HORN, 9, month="2026-10"),
    )  # fmt: skip
    learning.add_evidence(together(*parts))
    with CaptureQueriesContext(connection) as queries:
        found = recent_evidence(horn(), "", "2026-11").drift
    assert len(queries) == 3
    with CaptureQueriesContext(connection) as queries:
        assert recent_evidence(horn(), "", "2026-11").drift is found
    assert len(queries) == 1
    (branch,) = found.branches
    assert (branch.step, branch.outcome, branch.recent, branch.before) == ("ground", "bad", (1, 10), (30, 30))
    assert branch.fallen
