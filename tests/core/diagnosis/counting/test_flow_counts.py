"""From tallies to arrays, and what the arrays say of each branch. Values follow from the tallies by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.counting.branch_success import (
    BranchEvidence,
    branch_evidence,
    branch_weights,
    differing_platforms,
)
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER, FlowCounts, count
from shopkb.core.diagnosis.counting.tallies import Tallies, contributions, merge, take_back
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE
from shopkb.core.flow.model import Flow
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn, tally, together
from tests.examples import examples

CONTROL = "body/horn/control#no output"


def counted(*parts: Tallies, **settings: object) -> FlowCounts:
    return count(horn(), together(*parts), **{"as_of": "2026-11", **settings})  # type: ignore[arg-type]


def evidence(*parts: Tallies, platform: str = "", **settings: object) -> dict[tuple[str, str], BranchEvidence]:
    return branch_evidence(counted(*parts, **settings), platform)


def test_success_is_a_cause_still_reachable_through_the_branch() -> None:
    found = evidence(
        tally("supply", "full", HORN, 5), tally("supply", "full", RELAY, 2), tally("supply", "full", "", 3)
    )
    full = found["supply", "full"]
    assert (full.traffic, full.verified, full.jobs, full.successes) == (10, 7, 7, 5)
    assert found["supply", "weak"].rate is NO_EVIDENCE


def test_out_reaches_no_cause_and_an_end_only_its_own() -> None:
    found = evidence(tally("press", "sounds", HORN, 2), tally("ground", "bad", HORN, 1), tally("ground", "bad", GROUND))
    assert (found["press", "sounds"].jobs, found["press", "sounds"].successes) == (2, 0)
    assert (found["ground", "bad"].jobs, found["ground", "bad"].successes) == (2, 1)


def test_a_hand_over_is_judged_only_by_what_is_known_beyond_it() -> None:
    parts = tally("press", "no-click", CONTROL, 3), tally("press", "no-click", HORN, 1)
    blind = evidence(*parts)["press", "no-click"]
    assert (blind.verified, blind.jobs, blind.successes) == (4, 1, 0)
    seeing = evidence(*parts, beyond={"horn-control": frozenset({CONTROL})})["press", "no-click"]
    assert (seeing.verified, seeing.jobs, seeing.successes) == (4, 4, 3)
    wrong = evidence(*parts, beyond={"horn-control": frozenset()})["press", "no-click"]
    assert (wrong.jobs, wrong.successes) == (4, 0)


def test_a_cause_the_flow_does_not_know_is_other() -> None:
    counts = counted(tally("supply", "full", "body/horn/wire#chafed", 4))
    assert counts.causes == (HORN, GROUND, RELAY, OTHER)
    row = counts.row_of["supply", "full"]
    assert list(counts.verified[row]) == [0, 0, 0, 4]
    assert evidence(tally("supply", "full", "body/horn/wire#chafed", 4))["supply", "full"].successes == 0


def test_elimination_counts_half_in_learning_and_is_told_beside_the_rate() -> None:
    parts = tally("supply", "absent", RELAY, 4, proof="elimination"), tally("supply", "absent", RELAY, 2)
    counts = counted(*parts)
    assert counts.verified[counts.row_of["supply", "absent"]].sum() == 4
    full = counted(*parts, proof_weights={})
    assert full.verified.sum() == 6
    found = branch_evidence(counts)["supply", "absent"]
    assert (found.successes, found.by_elimination) == (6, 4)
    # All vehicles together: six jobs beside a starting belief worth one.
    assert found.words == (
        "In 6 of 6 verified jobs that came here as written the proven cause could still be reached, 4 of them by "
        "elimination only; 14% of the figure is borrowed."
    )


def test_old_jobs_weigh_less_but_are_still_whole_jobs() -> None:
    parts = tally("supply", "full", HORN, 4, month="2023-11"), tally("supply", "full", RELAY, 2)
    found = evidence(*parts)["supply", "full"]
    assert (found.jobs, found.successes) == (6, 4)
    assert isinstance(found.rate, PooledRate)
    assert (found.rate.n, found.rate.successes) == (4.0, 2.0)
    never = evidence(*parts, half_life=None)["supply", "full"].rate
    assert isinstance(never, PooledRate)
    assert (never.n, never.successes) == (6.0, 4.0)


def test_platforms_keep_their_own_jobs_and_borrow_the_rest() -> None:
    counts = counted(
        tally("supply", "full", HORN, 6, platform="curlew/a1"),
        tally("supply", "full", RELAY, 6, platform="curlew/a2"),
    )
    a1, a2, a3, both = (
        branch_evidence(counts, path)["supply", "full"] for path in ("curlew/a1", "curlew/a2", "curlew/a3", "curlew")
    )
    assert [(e.jobs, e.successes) for e in (a1, a2, a3, both)] == [(6, 6), (6, 0), (0, 0), (12, 6)]
    rates = [e.rate for e in (a1, a2, a3, both)]
    assert all(isinstance(rate, PooledRate) for rate in rates)
    means = [rate.mean for rate in rates if isinstance(rate, PooledRate)]
    assert means[0] > means[2] > means[1]
    assert means[2] == pytest.approx(0.5)
    assert (
        a3.words
        == "No verified job on this platform came to this branch as written; the figure is borrowed from others."
    )
    assert evidence()["supply", "full"].words == "No closed job says anything about this branch yet."
    assert sum(branch_weights([counts])) == pytest.approx(1)
    assert branch_weights([]) == ()


def test_trees_that_differ_are_refused_when_strengths_are_learned_together() -> None:
    one, other = counted(tally("supply", "full", HORN)), counted()
    with pytest.raises(ValueError) as caught:
        branch_weights([one, other])
    assert str(caught.value) == "The flows were counted over different platform trees; give each the same platforms."


def test_steps_and_outcomes_that_no_longer_exist_are_told_and_ignored() -> None:
    counts = counted(
        tally("supply", "half", HORN, 3), tally("fuse", "blown", HORN, 2), tally("supply", "skip:no time", "", 4)
    )
    assert counts.left_out == {("supply", "half"): 3, ("fuse", "blown"): 2}
    assert counts.skipped == {"supply": {"no time": 4}}
    assert not counts.verified.any() and not counts.traffic.any()


def test_other_procedures_and_empty_tallies_say_nothing() -> None:
    counts = counted(tally("supply", "full", HORN, 3, procedure="horn-weak"), tally("supply", "full", HORN, 0))
    assert not counts.verified.any()
    assert all(one.rate is NO_EVIDENCE for one in branch_evidence(counts).values())


def test_two_causes_together_teach_what_there_is_but_not_what_either_does_alone() -> None:
    parts = tally("supply", "full", HORN, 5, together=2), tally("", "", HORN, 5, together=2)
    counts = count(horn(), together(*parts), as_of="2026-11")
    row = counts.row_of["supply", "full"]
    assert counts.verified[row, 0] == 3
    assert counts.runs.sum() == 5
    assert (counts.traffic[row], counts.by_platform.jobs[:, row].sum(), counts.by_platform.wins[:, row].sum()) == (
        5,
        5,
        5,
    )


def test_sums_below_zero_are_read_as_zero_and_told() -> None:
    counts = counted(take_back(tally("supply", "full", HORN, 3)), tally("supply", "weak", RELAY, 1))
    assert counts.negative == 1
    assert counts.verified.sum() == 1


def test_rejected_ends_and_comebacks_are_kept_beside() -> None:
    found = evidence(tally("ground", "bad", "", 0, rejected=2), tally("ground", "bad", GROUND, 0, came_back=1))
    assert (found["ground", "bad"].rejected, found["ground", "bad"].came_back) == (2, 1)
    assert found["ground", "bad"].rate is NO_EVIDENCE


def test_a_flow_without_steps_has_no_branches() -> None:
    empty = Flow("horn-silent", "Empty", "body/horn", "", ())
    counts = count(empty, tally("supply", "full", HORN), as_of="2026-11")
    assert branch_evidence(counts) == {}
    assert counts.causes == (OTHER,)


cases = st.lists(
    st.builds(
        lambda cause, outcome, platform, month, number: ClosedCase(
            number, platform, month, cause, "measured" if cause else "",
            results=(CaseResult("horn-silent", "press", "click", seconds=60),
                     CaseResult("horn-silent", "supply", outcome, seconds=240)),
        ),
        st.sampled_from(["", HORN, RELAY, CONTROL]),
        st.sampled_from(["full", "weak", "absent"]),
        st.sampled_from(["", "curlew", "curlew/a1", "dunlin/d4"]),
        st.sampled_from(["2026-11", "2025-02"]),
        st.integers(1, 9),
    ),
    max_size=12,
)  # fmt: skip


@given(cases)
@settings(max_examples=examples(60))
def test_whole_jobs_are_counted_once_whatever_the_tree(closed: list[ClosedCase]) -> None:
    counts = count(horn(), merge(contributions(case) for case in closed), as_of="2026-11", half_life=None)
    found = branch_evidence(counts)
    assert found["press", "click"].traffic == len(closed)
    assert found["press", "click"].verified == sum(case.verified for case in closed)
    assert sum(found["supply", outcome].traffic for outcome in ("full", "weak", "absent")) == len(closed)
    assert counts.runs.sum() == sum(case.verified for case in closed)
    assert counts.minutes[0] == pytest.approx(np.array([1, 1, 1]) * len(closed))
    assert counts.minutes[1] == pytest.approx(np.array([1, 4, 16]) * len(closed))
    for one in found.values():
        assert 0 <= one.successes <= one.jobs <= one.verified <= one.traffic


def test_a_platform_that_differs_is_named_with_its_own_share_and_that_of_the_others() -> None:
    """2 of 20 on one model, 57 of 60 on the others: the model is named, the maker above it is not, nor are the few jobs
    of another model that happen to be wrong."""
    counts = counted(
        tally("supply", "full", HORN, 2, platform="curlew/a1"),
        tally("supply", "full", RELAY, 18, platform="curlew/a1"),
        tally("supply", "full", HORN, 57, platform="dunlin/d4"),
        tally("supply", "full", RELAY, 3, platform="dunlin/d4"),
        tally("supply", "full", RELAY, 1, platform="godwit/g1"),
        half_life=None,
    )
    found = differing_platforms(counts)
    assert set(found) == {("supply", "full")}
    rates = dict(found["supply", "full"])
    assert "curlew/a1" in rates and not {"curlew", "godwit", "godwit/g1"} & set(rates)
    assert rates["curlew/a1"].elsewhere == pytest.approx(57.5 / 62)
    assert rates["curlew/a1"].high < 0.35
    here = branch_evidence(counts, "curlew/a1")["supply", "full"].words
    assert here.endswith("% here, 93% on all others.") and "This platform differs: " in here
    assert "differs" not in branch_evidence(counts)["supply", "full"].words
