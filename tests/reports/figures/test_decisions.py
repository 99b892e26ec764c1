"""When a suggestion that was decided about comes back. Oracle: scipy's quantiles of the Jeffreys interval."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.stats import beta, ttest_ind

from shopkb.reports.figures.decisions import Decided, Decision, to_decide, worse_than
from shopkb.reports.figures.minutes import change
from shopkb.reports.figures.shares import Mean
from shopkb.reports.figures.suggestions import Subject, Suggestion, SuggestionKind, foremost

KINDS = st.sampled_from(SuggestionKind)
NAMES = st.text(st.characters(exclude_characters=",", exclude_categories=["Cs"]), max_size=20)


def about(part: int, whole: int, step: str = "supply") -> Suggestion:
    return Suggestion(SuggestionKind.MISLEADING_END, 1.0, 1.0, "horn-silent", step=step, part=part, whole=whole)


def decided(what: Decided, part: int, whole: int) -> Decision:
    return Decision(about(part, whole).subject, what, part, whole)


@given(KINDS, NAMES, NAMES, st.text(st.characters(exclude_categories=["Cs"]), max_size=40))
@example(SuggestionKind.COMEBACK, "horn-silent", "", "body/horn#loose, now and then")
def test_an_address_leads_back_to_its_subject(kind: SuggestionKind, procedure: str, step: str, name: str) -> None:
    subject = Subject(kind, procedure, step, name)
    assert Subject.at(subject.address) == subject


@pytest.mark.parametrize("address", ["", "comeback", "comeback,a,b", "no-such-kind,a,b,c"])
def test_another_address_is_none(address: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        Subject.at(address)


@given(st.integers(0, 60), st.integers(1, 60), st.integers(0, 60), st.integers(1, 60))
def test_a_share_is_worse_where_chance_does_not_explain_it(part: int, whole: int, now: int, of: int) -> None:
    """Lower end of the 80 % Jeffreys interval above the share of that day."""
    part, now = min(part, whole), min(now, of)
    low = float(beta.ppf(0.1, now + 0.5, of - now + 0.5)) if now else 0.0
    if abs(low - part / whole) > 1e-9:
        assert worse_than(decided(Decided.DISMISSED, part, whole), about(now, of)) == (low > part / whole)


def test_a_count_is_worse_once_it_has_grown_by_half_and_by_five() -> None:
    then = decided(Decided.WATCHED, 8, 0)
    assert [worse_than(then, about(jobs, 0)) for jobs in (8, 11, 12, 13)] == [False, False, False, True]


@pytest.mark.parametrize(
    ("what", "same", "worse"),
    [
        (Decided.GIVEN, False, False),
        (Decided.WATCHED, False, True),
        (Decided.DONE, False, True),
        (Decided.DISMISSED, False, True),
        (Decided.TAKEN_UP, True, True),
    ],
)
def test_what_comes_back_and_when(what: Decided, same: bool, worse: bool) -> None:
    decision = decided(what, 6, 30)
    assert bool(to_decide([about(6, 30)], {decision.subject: decision})) is same
    assert bool(to_decide([about(25, 30)], {decision.subject: decision})) is worse


@given(st.lists(st.floats(5, 90), min_size=5, max_size=20), st.lists(st.floats(5, 90), min_size=5, max_size=20))
def test_how_sure_a_change_is(before: list[float], after: list[float]) -> None:
    """Oracle: the one-sided p value of scipy's test of B. Welch."""
    means = [Mean.of_sums(len(each), sum(each), sum(one * one for one in each)) for each in (before, after)]
    found = change(*means)
    assert found is not None
    if min(np.std(before), np.std(after)) > 0.1:
        way = "less" if found.minutes < 0 else "greater"
        expected = ttest_ind(after, before, equal_var=False, alternative=way).pvalue
        assert found.sure == pytest.approx(1 - expected, abs=1e-6)


@pytest.mark.parametrize(("after", "sure"), [(20.0, 0.5), (21.0, 1.0)])
def test_how_sure_a_change_is_where_nothing_scatters(after: float, sure: float) -> None:
    found = change(Mean(20.0, 0.0, 5), Mean(after, 0.0, 5))
    assert found is not None and found.sure == sure


def test_what_is_put_aside_makes_room_for_the_next_of_its_kind() -> None:
    """Of one kind in one procedure only the worst is listed: without it the one after it is."""
    worst, other = about(20, 30), about(12, 30, step="ground")
    assert foremost([worst, other]) == (worst,)
    aside = Decision(worst.subject, Decided.DISMISSED, 20, 30)
    assert foremost(to_decide([worst, other], {worst.subject: aside})) == (other,)
