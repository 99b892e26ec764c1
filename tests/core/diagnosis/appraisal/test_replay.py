"""A draft against closed jobs. Oracles: all that the readings could have shown, walked one by one; statsmodels' exact
McNemar test and scipy's binomial test, A. Agresti's ratings, jobs by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.contingency_tables import mcnemar

from shopkb.core.diagnosis.appraisal.replay import ReplayEnding, compared, discordant_p, replay, to_read
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE, Rate
from shopkb.core.flow.model import Flow, Go, GoKind
from tests.core.diagnosis.appraisal.test_expected_cost import built
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn
from tests.core.diagnosis.learning import model_of
from tests.core.diagnosis.published import example
from tests.examples import examples


def case(number: int, cause: str, *results: tuple[str, str], month: str = "2026-05") -> ClosedCase:
    return ClosedCase(
        number, "curlew/a1", month, cause, "measured" if cause else "", cause,
        results=tuple(CaseResult("horn-silent", step, outcome) for step, outcome in results),
    )  # fmt: skip


CLICK = ("press", "click")
WEAK = case(1, RELAY, CLICK, ("supply", "weak"))
BAD = case(2, GROUND, CLICK, ("supply", "full"), ("ground", "bad"))
SILENT = case(3, HORN, CLICK, ("supply", "full"), ("ground", "good"), ("direct", "silent"), month="2026-07")
ASTRAY = case(4, GROUND, CLICK, ("supply", "weak"), month="2026-06")
LOST = case(5, "", ("press", "sounds"))


def rewired(**go: str) -> Flow:
    """The horn with some branches (step__outcome) leading to other steps."""
    flow = horn()
    steps = tuple(
        replace(step, outcomes=tuple(
            replace(one, go=Go(GoKind.STEP, go[f"{step.key}__{one.key}".replace("-", "_")]))
            if f"{step.key}__{one.key}".replace("-", "_") in go else one
            for one in step.outcomes
        ))
        for step in flow.steps
    )  # fmt: skip
    return replace(flow, steps=steps)


def test_the_same_flow_ends_as_the_jobs_did() -> None:
    found = replay(horn(), [WEAK, BAD, SILENT, ASTRAY, LOST])
    assert [one.ending for one in found.jobs] == [
        ReplayEnding.SAME,
        ReplayEnding.SAME,
        ReplayEnding.SAME,
        ReplayEnding.OTHER_END,
    ]
    assert found.jobs[2].path == (CLICK, ("supply", "full"), ("ground", "good"), ("direct", "silent"))
    assert (found.jobs[3].named, found.jobs[3].end) == (RELAY, "cause")
    assert (found.lost, found.low, found.high) == (1, 0.75, 0.75)
    assert isinstance(found.right, Rate)
    assert (found.right.successes, found.right.n) == (3, 4)
    assert found.words == (
        "Of 4 jobs: 3 would have reached the same proven cause, 1 another end, 0 would have needed a reading never "
        "taken. The share of right ends lies between 75% and 75%; 1 job without a proven cause cannot be judged."
    )
    assert [one.job for one in to_read(found)] == [4]


def test_another_order_needs_readings_never_taken() -> None:
    """Ground first: the job that never measured it cannot be replayed; a relay is proven on no way from there."""
    found = replay(rewired(press__click="ground"), [WEAK, BAD, SILENT])
    assert [one.ending for one in found.jobs] == [ReplayEnding.NEVER_TAKEN, ReplayEnding.SAME, ReplayEnding.SAME]
    assert found.jobs[0].stopped_at == "ground"
    assert (found.low, found.high) == (pytest.approx(2 / 3), pytest.approx(2 / 3))
    kept = replay(rewired(press__click="ground", ground__good="supply", supply__full="direct"), [WEAK, BAD])
    assert (kept.low, kept.high) == (0.5, 1.0)  # ground bad, or good and then the supply as it was recorded
    assert found.expected is None and found.jobs[0].chance_right is None


def test_the_model_fills_in_readings_never_taken() -> None:
    draft = rewired(press__click="ground", ground__good="supply", supply__full="direct")
    model = model_of(draft, {}, as_of="2026-11")
    found = replay(draft, [WEAK, BAD], model=model)
    good = model.row_of["horn-silent", "ground", "good"]
    # The recorded supply stands: once the ground is found good, weak names the relay.
    assert found.jobs[0].chance_right == pytest.approx(model.table[good, model.column_of[RELAY]])
    assert found.expected == pytest.approx((found.jobs[0].chance_right + 1) / 2)  # type: ignore[operator]
    assert found.low is not None and found.high is not None and found.expected is not None
    assert found.low <= found.expected <= found.high


def test_a_changed_meaning_is_a_reading_never_taken() -> None:
    whole = replay(horn(), [WEAK], changed=frozenset({("supply", "")}))
    part = replay(horn(), [WEAK, BAD], changed=frozenset({("supply", "weak")}))
    assert whole.jobs[0].ending is ReplayEnding.NEVER_TAKEN
    assert [one.ending for one in part.jobs] == [ReplayEnding.NEVER_TAKEN, ReplayEnding.SAME]


def test_removed_steps_skips_and_repeats() -> None:
    flow = horn()
    without = replace(flow, steps=tuple(step for step in flow.steps if step.key != "ground"))
    (cut,) = replay(without, [BAD]).jobs
    assert (cut.ending, cut.end) == (ReplayEnding.OTHER_END, "nowhere")
    skipped = case(7, GROUND, CLICK, ("supply", ""), ("ground", "bad"))
    assert replay(horn(), [skipped]).jobs[0].stopped_at == "supply"
    repeated = case(8, GROUND, CLICK, ("supply", "weak"), ("supply", "full"), ("ground", "bad"))
    assert replay(horn(), [repeated]).jobs[0].ending is ReplayEnding.SAME


def test_a_hand_over_is_right_where_the_other_procedure_can_prove_the_cause() -> None:
    control = "body/horn/control#no output"
    handed = case(9, control, ("press", "no-click"))
    assert replay(horn(), [handed]).jobs[0].ending is ReplayEnding.OTHER_END
    knowing = replay(horn(), [handed], beyond={"horn-control": frozenset({control})})
    assert knowing.jobs[0].ending is ReplayEnding.SAME


def test_jobs_closed_after_the_draft_are_told_apart() -> None:
    found = replay(horn(), [WEAK, SILENT, ASTRAY], created="2026-06")
    assert isinstance(found.since, Rate)
    assert (found.since.successes, found.since.n) == (1, 2)
    assert replay(horn(), [WEAK], created="2027-01").since is NO_EVIDENCE


def test_nothing_to_replay() -> None:
    found = replay(horn(), [LOST, replace(WEAK, results=(CaseResult("horn-weak", "press", "click"),))])
    assert (found.jobs, found.lost, found.low, found.high, found.expected) == ((), 1, None, None, None)
    assert found.right is NO_EVIDENCE
    assert found.words == "No verified job followed this procedure, so nothing can be replayed."


def test_faulty_drafts_say_why() -> None:
    with pytest.raises(ValueError) as start:
        replay(replace(horn(), start="gone"), [])
    assert str(start.value) == "Horn does not sound has no first step, so there is nothing to replay."
    with pytest.raises(ValueError) as loop:
        replay(rewired(direct__sounds="supply"), [])
    assert str(loop.value) == "A loop cannot be replayed: direct leads back to supply."


# Everything enumerated -------------------------------------------------------------------------------------------


def ends_of(flow: Flow, case: ClosedCase, model: CauseModel) -> tuple[set[bool], float, bool]:
    """Every way the job could have shown all readings at once, walked through: whether right ends and others occur, the
    chance of a right one, and whether the record alone decides. Knows nothing of :mod:`replay`."""
    recorded = {one.step: one.outcome for one in case.results}
    column = model.column_of.get(case.cause, model.column_of[OTHER])
    identities = {cause.key: cause.identity for cause in flow.causes}
    ends, chance, needed = set(), 0.0, False
    free = [step for step in flow.steps if recorded.get(step.key) not in {one.key for one in step.outcomes}]
    for shown in product(*(step.outcomes for step in free)):
        answer = {step.key: one for step, one in zip(free, shown, strict=True)}
        weight = 1.0
        for step, one in zip(free, shown, strict=True):
            weight *= float(model.table[model.row_of[flow.procedure, step.key, one.key], column])
        key, go = flow.start, None
        while key:
            step = flow.step_by_key[key]
            needed = needed or key in answer
            go = (answer[key] if key in answer else step.outcome(recorded[key])).go
            key = go.key if go.kind is GoKind.STEP else ""
        right = go is not None and go.kind is GoKind.CAUSE and identities[go.key] == case.cause
        ends.add(right)
        chance += weight * right
    return ends, chance, not needed


@st.composite
def small_flows(draw: st.DrawFn) -> tuple[Flow, CauseModel]:
    """Up to four steps whose ways merge and part, and likelihoods for them."""
    many = draw(st.integers(1, 4))
    prior = {"c0": 0.5, "c1": 0.3, OTHER: 0.2}
    dice = np.random.default_rng(draw(st.integers(0, 10**6)))
    steps = {}
    for number in range(many):
        ends = ["c0", "c1", "out", *(f"s{n}" for n in range(number + 1, many))]
        ways = draw(st.lists(st.sampled_from(ends), min_size=1, max_size=3))
        p = dice.dirichlet(np.ones(len(ways)), size=len(prior)).T
        outcomes = {f"o{n}": {"go": to, "p": dict(zip(prior, p[n], strict=True))} for n, to in enumerate(ways)}
        steps[f"s{number}"] = {"minutes": 1.0, "outcomes": outcomes}
    return built(steps, prior, "s0", {})


def records(flow: Flow) -> st.SearchStrategy[ClosedCase]:
    """A job that recorded some of the steps, among them answers that the draft does not have; without any it would
    not have followed the procedure."""
    answers = {step.key: st.sampled_from([*(one.key for one in step.outcomes), "", "gone"]) for step in flow.steps}
    causes = st.sampled_from([*(cause.identity for cause in flow.causes), "elsewhere#"])
    return st.builds(
        lambda cause, shown: ClosedCase(
            1, "curlew/a1", "2026-05", cause, "measured", cause,
            results=tuple(CaseResult(flow.procedure, step, outcome) for step, outcome in shown.items() if outcome),
        ),
        causes, st.fixed_dictionaries(answers).filter(lambda shown: any(shown.values())),
    )  # fmt: skip


@given(data=st.data(), drawn=small_flows())
@settings(max_examples=examples(40))
def test_replay_says_what_walking_every_way_says(data: st.DataObject, drawn: tuple[Flow, CauseModel]) -> None:
    """The three kinds, both bounds and the expected share, for each job and over all of them."""
    flow, model = drawn
    cases = [replace(data.draw(records(flow)), job=number) for number in range(data.draw(st.integers(1, 4)))]
    told = [ends_of(flow, one, model) for one in cases]
    found = replay(flow, cases, model=model)
    for one, (ends, chance, decided) in zip(found.jobs, told, strict=True):
        kind = (
            ReplayEnding.NEVER_TAKEN if not decided else ReplayEnding.SAME if ends == {True} else ReplayEnding.OTHER_END
        )
        assert one.ending is kind
        assert one.chance_right == pytest.approx(chance)
        assert (one.surely_right, one.maybe_right) == (ends == {True}, True in ends)
    many = len(cases)
    assert found.low == pytest.approx(sum(ends == {True} for ends, _, _ in told) / many)
    assert found.high == pytest.approx(sum(True in ends for ends, _, _ in told) / many)
    assert found.expected == pytest.approx(sum(chance for _, chance, _ in told) / many)


@given(data=st.data(), old=small_flows(), new=small_flows())
@settings(max_examples=examples(20))
def test_two_replays_differ_where_walking_every_way_differs(
    data: st.DataObject, old: tuple[Flow, CauseModel], new: tuple[Flow, CauseModel]
) -> None:
    longer = max(old[0], new[0], key=lambda flow: len(flow.steps))
    cases = [replace(data.draw(records(longer)), job=number) for number in range(data.draw(st.integers(1, 5)))]
    both = [[ends_of(flow, one, model) for one in cases] for flow, model in (old, new)]
    ended = [(a[0] == {True}, b[0] == {True}) for a, b in zip(*both, strict=True) if a[2] and b[2]]
    found = compared(replay(old[0], cases), replay(new[0], cases))
    only_old, only_new = sum(a and not b for a, b in ended), sum(b and not a for a, b in ended)
    assert (found.both_end, found.only_old_right, found.only_new_right) == (len(ended), only_old, only_new)
    if only_old + only_new:
        assert found.p == pytest.approx(binomtest(only_old, only_old + only_new).pvalue)


@given(st.integers(0, 60), st.integers(0, 60))
def test_exact_p_equals_statsmodels_and_scipy(one: int, other: int) -> None:
    if one + other == 0:
        assert discordant_p(0, 0) == 1
        return
    assert discordant_p(one, other) == pytest.approx(binomtest(one, one + other, 0.5).pvalue)
    expected = mcnemar(np.array([[5, one], [other, 5]]), exact=True).pvalue
    assert discordant_p(one, other) == pytest.approx(expected)


def test_published_table_and_the_example_of_eleven_jobs() -> None:
    data = example("paired-comparison")
    table, tolerance = data["inputs"]["table"], data["tolerance"]
    expected = data["expected"]
    assert discordant_p(table[0][1], table[1][0]) == pytest.approx(
        expected["exact_two_sided_p"], rel=tolerance["p_relative"]
    )
    jobs = data["inputs"]["replay_example"]
    p = discordant_p(jobs["old_right_draft_wrong"], jobs["draft_right_old_wrong"])
    assert p == pytest.approx(expected["replay_exact_two_sided_p"], abs=tolerance["exact"])
    with pytest.raises(ValueError) as caught:
        discordant_p(-1, 2)
    assert str(caught.value) == "Counts of jobs are not negative; got -1 and 2."


def test_two_revisions_are_compared_on_the_jobs_where_they_differ() -> None:
    old = replay(rewired(supply__weak="ground", supply__full="direct"), [])
    assert compared(old, replay(horn(), [])).words == "On 0 jobs where both end, they are right and wrong together."
    jobs = [case(n, RELAY, CLICK, ("supply", "weak"), ("ground", "bad")) for n in range(1, 9)]
    before, after = replay(rewired(supply__weak="ground"), jobs), replay(horn(), jobs)
    found = compared(before, after)
    assert (found.both_end, found.only_old_right, found.only_new_right) == (8, 0, 8)
    assert found.words == (
        "Of 8 jobs where they differ the draft is right in 8 and the old one in 0: "
        "it is better on these jobs (p = 0.008)."
    )
    few = compared(replay(rewired(supply__weak="ground"), jobs[:2]), replay(horn(), jobs[:2]))
    assert few.words == (
        "Of 2 jobs where they differ the draft is right in 2 and the old one in 0: that may be chance (p = 0.500)."
    )
