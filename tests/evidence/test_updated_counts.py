"""What is learned follows a closing by its difference, and is then what counting afresh gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase, RejectedEnd
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts, count
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums, contributions, merge, take_back
from shopkb.core.diagnosis.counting.updated_counts import updated_counts
from shopkb.core.flow.hand_overs import NO_HAND_OVER_CAUSES
from shopkb.core.flow.model import Flow
from shopkb.evidence import learning, tally_log
from shopkb.evidence.cache import clear_all
from shopkb.evidence.learned_procedure import learned_procedure
from shopkb.evidence.recent_evidence import RecentEvidence, recent_evidence
from tests.builders import HORN_TEXT, flow_from
from tests.evidence.test_learning import CASE
from tests.examples import examples

MONTH = "2026-03"
GROUND = "body/horn/earth#high resistance"
STEPS = [("press", "click"), ("supply", "full"), ("supply", "weak"), ("ground", "bad"), ("gone", "long ago")]
ARRAYS = ("verified", "traffic", "minutes", "runs")


@st.composite
def horn_cases(draw: st.DrawFn) -> ClosedCase:
    """Jobs of the horn: any platform and month, some skipped, some repaired in vain, some that came back."""
    claimed = draw(st.sampled_from(["", CASE.claimed, GROUND, "not/of#this flow"]))
    back = bool(claimed) and draw(st.booleans())
    way = draw(st.lists(st.sampled_from(STEPS), unique_by=lambda pair: pair[0], max_size=4))
    results = [CaseResult("horn-silent", step, outcome, seconds=draw(st.none() | st.integers(0, 900)))
               for step, outcome in way]  # fmt: skip
    return replace(
        CASE,
        platform=draw(st.sampled_from(["", "curlew", "curlew/dunlin", "godwit/turnstone/mk1"])),
        month=draw(st.sampled_from(["2024-07", "2025-12", "2026-03"])),
        cause="" if back else claimed,
        claimed=claimed,
        came_back=back,
        proof=draw(st.sampled_from(["measured", "elimination"])) if claimed else "",
        results=(*results, CaseResult("horn-silent", "direct", "", skipped="no-time")),
        rejected=tuple(draw(st.lists(st.just(RejectedEnd("horn-silent", "ground", "bad", GROUND)), max_size=1))),
        also=tuple(draw(st.lists(st.just(GROUND), max_size=1))),
    )


def same(one: FlowCounts, other: FlowCounts) -> None:
    assert one.tree.paths == other.tree.paths
    for name in ARRAYS:
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=1e-8, err_msg=name)
    for name in one.by_platform.__dataclass_fields__:
        ours, theirs = getattr(one.by_platform, name), getattr(other.by_platform, name)
        np.testing.assert_allclose(ours, theirs, atol=1e-8, err_msg=name)
    assert (one.skipped, one.left_out) == (other.skipped, other.left_out)


@settings(max_examples=examples(25))
@given(st.lists(horn_cases(), max_size=4), st.lists(horn_cases(), max_size=3), st.integers(0, 4))
def test_counts_brought_up_are_those_counted_afresh(old: list[ClosedCase], new: list[ClosedCase], gone: int) -> None:
    """Any jobs, some of the old ones taken back, others added: on platforms and in months of any kind."""
    flow = flow_from(HORN_TEXT)
    before = merge(map(contributions, old))
    added, taken = merge(map(contributions, new)), merge(map(contributions, old[:gone]))
    platforms = tuple({key.platform for part in (before, added) for key in part})
    found = updated_counts(count(flow, before, as_of=MONTH), added, taken, as_of=MONTH)
    assert found is not None
    same(found, count(flow, merge([before, added, take_back(taken)]), as_of=MONTH, platforms=platforms))


def test_what_is_below_zero_is_counted_afresh() -> None:
    flow = flow_from(HORN_TEXT)
    bad = {TallyKey("horn-silent", "press", "click", "", "", "curlew", MONTH): TallySums(-1)}
    assert updated_counts(count(flow, bad, as_of=MONTH), contributions(CASE), {}, as_of=MONTH) is None
    assert updated_counts(count(flow, {}, as_of=MONTH), bad, {}, as_of=MONTH) is None


@pytest.fixture
def flow() -> Flow:
    return flow_from(HORN_TEXT)


def cost(flow: Flow) -> int:
    with CaptureQueriesContext(connection) as queries:
        learned_procedure(flow, "", behind=NO_HAND_OVER_CAUSES, month=MONTH)
        recent_evidence(flow, "", MONTH)
    return len([one for one in queries if "evidence_tally" in one["sql"]])


def test_a_closing_costs_no_reading_of_tallies(committing: None, flow: Flow) -> None:
    learning.learn(None, CASE)
    assert cost(flow) == 2
    learning.learn(None, replace(CASE, job=2, platform="godwit", month="2025-01"))
    learning.learn(CASE, replace(CASE, cause="", came_back=True))
    learning.add_evidence(contributions(replace(CASE, job=3)))
    learning.follow_move("godwit", "curlew", platforms=True)
    assert cost(flow) == 0
    told = _told(flow)
    clear_all()
    assert cost(flow) > 0
    afresh = _told(flow)
    assert told == afresh
    assert learned_procedure(flow, "", behind=NO_HAND_OVER_CAUSES, month=MONTH).verified_jobs == 2


def _told(flow: Flow) -> tuple[dict[tuple[str, str], str], RecentEvidence]:
    found = learned_procedure(flow, "", behind=NO_HAND_OVER_CAUSES, month=MONTH)
    rounded = {key: f"{one.words} {np.round([one.traffic, one.jobs, one.successes], 6)}"
               for key, one in found.branches.items()}  # fmt: skip
    return rounded, recent_evidence(flow, "", MONTH)


def test_a_rebuild_and_what_others_changed_are_read_afresh(committing: None, flow: Flow) -> None:
    """Another process tells nothing here; nor does a rebuild, or a change that was rolled back."""
    learning.learn(None, CASE)
    cost(flow)
    learning.rebuild([CASE, CASE])
    assert cost(flow) == 2
    learning.learn(None, replace(CASE, job=2))
    tally_log.forget()
    assert cost(flow) == 2
    learning.add_evidence({TallyKey("horn-silent", "press", "click", "", "", "curlew", MONTH): TallySums(-9)})
    assert cost(flow) == 2


@pytest.mark.django_db(transaction=True)
def test_only_what_was_committed_is_told() -> None:
    learning.learn(None, CASE)
    first = learning.stamps(["horn-silent"])["horn-silent"]
    with pytest.raises(RuntimeError), transaction.atomic():
        learning.learn(None, replace(CASE, job=2))
        raise RuntimeError
    assert learning.stamps(["horn-silent"])["horn-silent"] == first
    learning.learn(CASE, None)
    assert tally_log.changes_since("horn-silent", first, first + 1) == [tally_log.TallyChange({}, contributions(CASE))]
    assert tally_log.changes_since("horn-silent", first - 1, first + 2) is None


@pytest.mark.django_db
@settings(max_examples=examples(8), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(horn_cases(), min_size=1, max_size=4))
def test_many_pages_between_closings_never_part_from_the_truth(
    committing: None, flow: Flow, found: list[ClosedCase]
) -> None:
    learning.rebuild([])
    for case in found:
        learning.learn(None, case)
        told = _told(flow)
    clear_all()
    assert told == _told(flow)
