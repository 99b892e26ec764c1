"""Jobs that are verified more often at some ends. Oracles: the liver-scan verification (Drum and Christacopoulos 1972,
corrected by Begg and Greenes 1983), and made-up shops whose truth is known."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.branch_success import branch_evidence
from shopkb.core.diagnosis.counting.flow_counts import OTHER, FlowCounts, count
from shopkb.core.diagnosis.counting.positions import ASIDE, positions
from shopkb.core.diagnosis.counting.selection_bias import MOST_WEIGHT, end_weights, shares_differ, verification_weights
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums, contributions, merge
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.flow.model import Cause, Flow, GoKind, Outcome, Proof, Step, TestKind
from tests.core.diagnosis.counting.test_tallies import cases
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, go, horn, tally, together
from tests.core.diagnosis.published import example
from tests.simulation.calibration import TRUTH

LIVER = example("verification-bias-liver-scan")
Truth = Mapping[str, Mapping[str, tuple[float, ...]]]


def flow_of(causes: Mapping[str, str], steps: Mapping[str, Mapping[str, str]]) -> Flow:
    """Steps as outcome to where it leads; the first one is the start."""
    return Flow(
        procedure="p", title="p", system="s", start=next(iter(steps)),
        causes=tuple(Cause(key, *identity.split("#")) for key, identity in causes.items()),
        steps=tuple(
            Step(key, key, TestKind.LOOK, tuple(
                Outcome(o, o, go(to, list(causes)), proof=Proof.SEEN if to in causes else None)
                for o, to in outcomes.items()
            ))
            for key, outcomes in steps.items()
        ),
    )  # fmt: skip


def counted(flow: Flow, *parts: Mapping[TallyKey, TallySums]) -> FlowCounts:
    return count(flow, together(*parts), as_of="2026-11", half_life=None)


def test_selective_verification_is_corrected_as_published() -> None:
    flow = flow_of({"ill": "a#ill", "well": "a#well"}, {"scan": {"pos": "ill", "neg": "well"}})
    seen, unseen = LIVER["inputs"]["verified"], LIVER["inputs"]["unverified"]
    parts = [
        tally("scan", outcome, f"a#{cause}", seen[f"{outcome}_{key}"], procedure="p")
        for outcome in ("pos", "neg")
        for cause, key in (("ill", "disease"), ("well", "healthy"))
    ]
    parts += [tally("scan", outcome, "", unseen[outcome], procedure="p") for outcome in ("pos", "neg")]
    parts += [
        tally("", "", f"a#{cause}", sum(seen[f"{outcome}_{key}"] for outcome in ("pos", "neg")), procedure="p")
        for cause, key in (("ill", "disease"), ("well", "healthy"))
    ]
    counts = counted(flow, *parts)
    found = learn(counts, smoothing=1e-12)
    expected, tolerance = LIVER["expected"], LIVER["tolerance"]
    told = [found.table[0, 0], found.table[1, 1]]
    corrected, published = expected["corrected"], expected["published_corrected"]
    assert told == pytest.approx([corrected["sensitivity"], corrected["specificity"]], abs=tolerance["exact"])
    assert told == pytest.approx([published["sensitivity"], published["specificity"]], abs=tolerance["published"])
    weights = counts.runs.sum(axis=0) * verification_weights(counts).steps["scan"]
    assert weights[0] / weights.sum() == pytest.approx(corrected["prevalence"], abs=tolerance["exact"])
    raw = counts.verified / np.maximum(counts.verified.sum(axis=0), 1)
    naive = expected["naive"]
    assert [raw[0, 0], raw[1, 1]] == pytest.approx([naive["sensitivity"], naive["specificity"]], abs=tolerance["exact"])


def shop(
    flow: Flow, truth: Truth, prior: Mapping[str, float], verified: Mapping[tuple[str, str], float], jobs: int = 10**7
) -> dict[TallyKey, TallySums]:
    """What so many jobs tell that follow ``flow`` when every way is taken as often as expected."""
    sums: dict[tuple[str, str, str], float] = defaultdict(float)
    pending = [(flow.start, cause, share, ((("", "")),)) for cause, share in prior.items()]
    while pending:
        key, cause, share, way = pending.pop()
        step = flow.step_by_key[key]
        for outcome, chance in zip(step.outcomes, truth[key][cause], strict=True):
            here = (*way, (key, outcome.key))
            if outcome.go.kind is GoKind.STEP:
                pending.append((outcome.go.key, cause, share * chance, here))
                continue
            told = verified[key, outcome.key]
            for branch in here:
                sums[(*branch, cause)] += share * chance * told
                sums[(*branch, "")] += share * chance * (1 - told)
    return together(*(tally(*branch, round(jobs * share), procedure=flow.procedure) for branch, share in sums.items()))


DIAMOND = flow_of(
    {"a": "s#a", "b": "s#b"},
    {
        "first": {"left": "side", "right": "last", "seen": "a"},
        "side": {"on": "last", "off": "b", "none": "out"},
        "last": {"yes": "a", "no": "b"},
    },
)
DIAMOND_TRUTH = {
    "first": {"s#a": (0.5, 0.2, 0.3), "s#b": (0.3, 0.6, 0.1)},
    "side": {"s#a": (0.8, 0.1, 0.1), "s#b": (0.4, 0.5, 0.1)},
    "last": {"s#a": (0.9, 0.1), "s#b": (0.25, 0.75)},
}
DIAMOND_ENDS = {
    ("first", "seen"): 0.9, ("side", "off"): 0.3, ("side", "none"): 0.25, ("last", "yes"): 0.8, ("last", "no"): 0.4,
}  # fmt: skip
HORN_ENDS = {
    ("press", "sounds"): 0.25, ("press", "no-click"): 0.3, ("supply", "weak"): 0.9, ("supply", "absent"): 0.5,
    ("ground", "bad"): 0.4, ("direct", "sounds"): 0.3, ("direct", "silent"): 0.95,
}  # fmt: skip


@pytest.mark.parametrize(
    ("flow", "truth", "prior", "ends"),
    [
        (horn(), TRUTH, {HORN: 0.5, GROUND: 0.3, RELAY: 0.2}, HORN_ENDS),
        (DIAMOND, DIAMOND_TRUTH, {"s#a": 0.6, "s#b": 0.4}, DIAMOND_ENDS),
    ],
    ids=["a tree", "where ways meet"],
)
def test_the_truth_comes_back_when_verification_depends_on_the_end(
    flow: Flow, truth: Truth, prior: Mapping[str, float], ends: Mapping[tuple[str, str], float]
) -> None:
    """Uncorrected counts are off by more than 5 points somewhere, corrected ones and priors by less than 0.1."""
    counts = counted(flow, shop(flow, truth, prior, ends))
    found = learn(counts, "curlew/a1", smoothing=1e-9)
    expected = np.array([[truth[step.key][cause][place] for cause in prior]
                         for step in flow.steps for place in range(len(step.outcomes))])  # fmt: skip
    columns = [found.column_of[cause] for cause in prior]
    assert found.table[:, columns] == pytest.approx(expected, abs=0.001)
    assert found.prior[columns] == pytest.approx(list(prior.values()), abs=0.001)
    raw = [rows / rows.sum(axis=0) for rows in (counts.verified[r][:, columns] for r in counts.rows_of_step.values())]
    assert np.abs(np.vstack(raw) - expected).max() > 0.05
    assert (flow.procedure, flow.start) in found.corrected


def test_a_step_is_told_as_corrected_only_where_shares_differ_behind_it() -> None:
    parts = (
        tally("ground", "good", HORN, 60), tally("ground", "good", GROUND, 20), tally("ground", "good", "", 320),
        tally("ground", "bad", GROUND, 380), tally("ground", "bad", HORN, 20),
        tally("direct", "silent", HORN, 60), tally("direct", "silent", GROUND, 20), tally("direct", "silent", "", 320),
    )  # fmt: skip
    found = learn(counted(horn(), *parts))
    assert [step for _, step in found.corrected] == ["press", "supply", "ground"]
    row = found.row_of["horn-silent", "ground", "bad"]
    # Raw 380 of 400; corrected 380 against 20 x 400/80 = 100; 400 jobs of weight stay 400, beside eight of the base.
    assert found.table[row, found.column_of[GROUND]] == pytest.approx((400 * 380 / 480 + 8 * 0.95) / 408)


def test_jobs_that_stopped_before_a_step_are_an_end_of_their_own() -> None:
    """200 jobs had full supply: 120 went on to the ground, all verified; 80 stopped there, 20 of them verified."""
    parts = (
        tally("supply", "full", HORN, 100), tally("supply", "full", RELAY, 40), tally("supply", "full", "", 60),
        tally("ground", "bad", HORN, 80), tally("ground", "bad", RELAY, 40),
    )  # fmt: skip
    weights = verification_weights(counted(horn(), *parts))
    supply = weights.branches[counted(horn()).row_of["supply", "full"]]
    average = 140 / 200
    assert supply[:3] == pytest.approx([average * (80 + 20 * 4) / 100, 1.0, average])


def test_nothing_to_correct_when_everybody_is_verified() -> None:
    everywhere = dict.fromkeys(HORN_ENDS, 1.0)
    counts = counted(horn(), shop(horn(), TRUTH, {HORN: 0.5, GROUND: 0.3, RELAY: 0.2}, everywhere))
    weights = verification_weights(counts)
    assert weights.branches == pytest.approx(np.ones_like(weights.branches))
    assert not weights.corrected_steps


@pytest.mark.parametrize(
    ("verified", "traffic", "answer"),
    [
        ([20, 6], [20, 20], True),
        ([20, 16], [20, 20], False),  # 20 points apart, not more
        ([20, 4], [20, 20], False),  # fewer than five verified
        ([20, 6, 0], [20, 20, 400], True),  # an end where nobody is verified does not hide the others
        ([20], [40], False),
        ([0, 0], [0, 0], False),
    ],
)
def test_when_the_correction_is_told(verified: list[int], traffic: list[int], answer: bool) -> None:
    assert shares_differ(np.array(traffic, dtype=float), np.array(verified, dtype=float)) is answer


def test_few_verified_jobs_are_drawn_to_the_average_and_none_weighs_more_than_three_times() -> None:
    """60 of 100 at the average of 0.5 with the 40 of 100; 6 of 40 count as (6 + 3.5 x share) of 43.5."""
    assert end_weights(np.array([100.0, 100.0]), np.array([60.0, 40.0])) == pytest.approx([5 / 6, 5 / 4])
    share = 106 / 240
    found = end_weights(np.array([200.0, 40.0, 500.0]), np.array([100.0, 6.0, 0.0]))
    assert found == pytest.approx([share / 0.5, share / ((6 + 3.5 * share) / 43.5), 1.0])
    assert end_weights(np.array([1000.0, 10_000.0]), np.array([1000.0, 20.0]))[1] == MOST_WEIGHT
    assert end_weights(np.zeros(0), np.zeros(0)).size == 0
    assert end_weights(np.array([7.0]), np.array([0.0])) == pytest.approx([1.0])


@given(st.integers(1, 60), st.integers(0, 60), st.integers(0, 200), st.integers(1, 60), st.integers(0, 200))
def test_one_more_verified_job_at_an_end_never_weighs_its_cause_down(
    mine: int, other: int, unseen: int, elsewhere: int, unseen_elsewhere: int
) -> None:
    """Beside a cause found only at the other end: the correction may not turn a proof into its opposite."""

    def odds(more: int) -> float:
        verified = np.array([float(mine + other + more), float(elsewhere)])
        weights = end_weights(verified + np.array([unseen, unseen_elsewhere]), verified)
        return float((mine + more) * weights[0] / (elsewhere * weights[1]))

    assert odds(1) >= odds(0) * (1 - 1e-9)


def test_a_draft_with_a_loop_or_without_a_start_is_survived() -> None:
    supply = horn().steps[1]
    back = replace(supply.outcomes[0], go=go("press"))
    steps = (horn().steps[0], replace(supply, outcomes=(back, *supply.outcomes[1:])), *horn().steps[2:])
    tallies = shop(horn(), TRUTH, {HORN: 0.5, GROUND: 0.3, RELAY: 0.2}, HORN_ENDS, 1000)
    for flow in (horn(steps=steps), horn(start="gone"), horn(steps=())):
        found = learn(counted(flow, tallies))
        assert np.all(np.isfinite(found.table)) and np.all(np.isfinite(found.prior))


@given(st.lists(cases(), max_size=20))
def test_weights_are_finite_and_keep_the_number_of_jobs(found: list) -> None:  # type: ignore[type-arg]
    counts = counted(horn(procedure="p"), merge(contributions(case) for case in found))
    weights = verification_weights(counts)
    assert np.all(weights.branches >= 1 / MOST_WEIGHT) and np.all(weights.branches <= MOST_WEIGHT)
    model = learn(counts)
    assert model.prior_weights is not None and model.prior.sum() == pytest.approx(1)
    assert model.causes[-1] == OTHER and np.all(model.prior > 0)


def test_a_test_put_off_is_no_end() -> None:
    """100 jobs said the horn clicks on the written way and went on to the supply; 60 others had its ground tested
    first, and half of those are verified. Where the written way ended decides, not what was done off it."""
    flow, place = horn(), positions(horn())
    on_way = together(
        *(at(tally(step, outcome, cause, n), place[step])
          for step, outcome in (("press", "click"), ("supply", "weak"))
          for cause, n in ((RELAY, 50), ("", 50)))
    )  # fmt: skip
    aside = together(at(tally("ground", "bad", GROUND, 30), ASIDE), at(tally("ground", "bad", "", 30), ASIDE))
    alone, beside = (verification_weights(counted(flow, *parts)) for parts in ([on_way], [on_way, aside]))
    assert np.array_equal(alone.branches, beside.branches) and np.all(beside.branches == 1)


def test_branch_success_is_corrected_where_verified_shares_differ_behind_it() -> None:
    """Of 200 jobs with full supply 100 ended at a bad ground, 90 of them verified, and all of those with a bad ground;
    100 went on and the horn sounded, 30 of them verified, all with a relay. 90 of 120 as counted, half in truth."""
    parts = [
        tally("supply", "full", GROUND, 90), tally("supply", "full", RELAY, 30), tally("supply", "full", "", 80),
        tally("ground", "bad", GROUND, 90), tally("ground", "bad", "", 10),
        tally("ground", "good", RELAY, 30), tally("ground", "good", "", 70),
        tally("direct", "sounds", RELAY, 30), tally("direct", "sounds", "", 70),
    ]  # fmt: skip
    found = branch_evidence(counted(horn(), *parts))
    full = found["supply", "full"]
    assert (full.successes, full.jobs) == (90, 120) and isinstance(full.rate, PooledRate)
    assert full.rate.mean == pytest.approx(0.75, abs=0.01)
    assert full.corrected is not None and full.corrected.mean == pytest.approx(0.5, abs=0.02)
    assert full.corrected.high - full.corrected.low > full.rate.high - full.rate.low
    assert full.words.endswith(
        f" Corrected for what was verified: {full.corrected.mean:.0%} ({full.corrected.low:.0%} to "
        f"{full.corrected.high:.0%})."
    )
    assert found["ground", "bad"].corrected is None and "Corrected" not in found["ground", "bad"].words


def at(tallies: Mapping[TallyKey, TallySums], position: str) -> dict[TallyKey, TallySums]:
    return {replace(key, position=position): sums for key, sums in tallies.items()}
