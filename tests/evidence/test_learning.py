"""The door for tallies: add, take back, rebuild, another shop's, and what they cost in statements."""

from __future__ import annotations

from dataclasses import replace

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.tallies import ZERO, TallyKey, TallySums, contributions, merge
from shopkb.evidence import learning
from tests.builders import all_at_once
from tests.core.diagnosis.counting.test_tallies import cases
from tests.examples import examples

CASE = ClosedCase(
    job=1,
    platform="curlew",
    month="2026-03",
    cause="body/horn/horn#open circuit",
    proof="measured",
    claimed="body/horn/horn#open circuit",
    results=(CaseResult("horn-silent", "press", "click", seconds=60),),
)


def long_case(steps: int) -> ClosedCase:
    return replace(CASE, results=tuple(CaseResult("horn-silent", f"step-{n}", "yes", seconds=n) for n in range(steps)))


def test_learning_and_unlearning_leave_nothing(db: None) -> None:
    learning.learn(None, CASE)
    assert learning.kept() == contributions(CASE)
    learning.learn(CASE, None)
    assert learning.kept() == {}
    assert learning.Tally.objects.count() == 0


def test_a_job_that_says_something_else_now_replaces_what_it_said(db: None) -> None:
    other = replace(CASE, cause="", came_back=True)
    learning.learn(None, CASE)
    learning.learn(CASE, other)
    assert learning.kept() == contributions(other)


def test_saying_the_same_again_changes_nothing(db: None) -> None:
    learning.learn(None, CASE)
    stamp = learning.stamp()
    learning.learn(CASE, CASE)
    assert (learning.kept(), learning.stamp()) == (contributions(CASE), stamp)


def test_the_stamp_grows_with_every_change(db: None) -> None:
    stamps = [learning.stamp()]
    for before, after in ((None, CASE), (CASE, None), (None, CASE)):
        learning.learn(before, after)
        stamps.append(learning.stamp())
    learning.rebuild([CASE])
    stamps.append(learning.stamp())
    assert stamps == sorted(set(stamps))
    assert stamps[0] == 0


def test_what_was_counted_afresh_is_put_in_place_unless_a_job_taught_meanwhile(db: None) -> None:
    learning.learn(None, CASE)
    begun, other = learning.stamp(), replace(CASE, job=2)
    total = learning.total_of([CASE, other])
    assert learning.put_total(total, counted_at=begun)
    assert learning.kept() == total
    learning.learn(None, other)
    assert not learning.put_total(total, counted_at=begun + 1)
    assert learning.kept() == learning.total_of([CASE, other, other])


def test_only_the_procedures_that_changed_are_stamped(db: None) -> None:
    """A rebuild stamps those whose tallies vanish, too."""
    asked = ("horn-silent", "lamp-dark")
    other = replace(CASE, job=2, results=(CaseResult("lamp-dark", "press", "click"),))
    assert learning.stamps(asked) == {"horn-silent": 0, "lamp-dark": 0}
    learning.learn(None, CASE)
    learning.learn(None, other)
    before = learning.stamps(asked)
    learning.learn(CASE, None)
    after = learning.stamps(asked)
    assert after["horn-silent"] > before["horn-silent"] and after["lamp-dark"] == before["lamp-dark"]
    learning.rebuild([CASE])
    last = learning.stamps(asked)
    assert all(last[key] > after[key] for key in asked)


def test_the_number_of_statements_does_not_grow_with_the_branches(db: None) -> None:
    counted = []
    for steps in (1, 60):
        case = long_case(steps)
        learning.learn(None, case)  # rows that are there already are changed, not made
        with CaptureQueriesContext(connection) as queries:
            learning.learn(None, replace(case, job=2))
        counted.append(len(queries))
        learning.rebuild([])
    assert counted[0] == counted[1] <= 6


def test_more_keys_than_one_statement_takes(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learning, "CHUNK", 7)
    case = long_case(60)
    learning.learn(None, case)
    assert learning.kept() == contributions(case)
    learning.learn(case, CASE)
    assert learning.kept() == contributions(CASE)


def test_two_shops_are_summed(db: None) -> None:
    other = {
        TallyKey("horn-silent", "press", "click", CASE.cause, "measured", "curlew", "2026-03"): TallySums(3, 1, 9, 81),
        TallyKey("horn-silent", "press", "sounds", "", "", "godwit", "2026-01"): TallySums(2),
        TallyKey("horn-silent", "press", "silent", "", "", "godwit", "2026-01"): ZERO,
    }
    learning.learn(None, CASE)
    learning.add_evidence(other)
    assert learning.kept() == merge([contributions(CASE), other])


@pytest.mark.django_db
@settings(max_examples=examples(40), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(cases(), max_size=5))
def test_kept_is_what_rebuilding_gives(db: None, found: list[ClosedCase]) -> None:
    learning.rebuild([])
    for case in found:
        learning.learn(None, case)
    kept = learning.kept()
    assert kept == learning.total_of(found) == merge(map(contributions, found))
    assert learning.rebuild(found) == len(kept)
    assert learning.kept() == kept
    for case in found:
        learning.learn(case, None)
    assert learning.kept() == {}


@pytest.mark.django_db(transaction=True)
def test_twelve_at_once_lose_nothing() -> None:
    """Without the lock row the first writers of a key collide, and later ones overwrite each other's sums."""
    assert all_at_once(12, lambda number: learning.learn(None, replace(CASE, job=number))) == [None] * 12
    assert {part.count for part in learning.kept().values()} == {12}
    assert learning.kept() == learning.total_of([CASE] * 12)
