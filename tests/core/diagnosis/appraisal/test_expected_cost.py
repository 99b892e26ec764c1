"""Appraisal of a flow. Oracles: the worked example, enumeration of every path for every cause, finite differences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.appraisal import compare_revisions
from shopkb.core.diagnosis.appraisal.expected_cost import Appraisal, appraise
from shopkb.core.diagnosis.belief.cause_model import Branch, CauseModel, Test
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.flow.model import Cause, Flow, GoKind, Outcome, Step, TestKind
from tests.core.diagnosis.flows import go, horn, tally, together
from tests.core.diagnosis.learning import model_of
from tests.core.diagnosis.published import example
from tests.examples import examples
from tests.shelf import CATALOG, SHELF
from tests.simulation.worlds import closed_jobs, drawn

EXAMPLE = example("procedure-appraisal")
IDENTITY = {"c1": "c1#", "c2": "c2#", "c3": "c3#", OTHER: OTHER}


def built(
    steps: Mapping[str, Mapping[str, Any]], prior: Mapping[str, float], start: str, access: Mapping[str, float]
) -> tuple[Flow, CauseModel]:
    """A flow and its model from step -> {minutes, variance, access, outcomes -> {go, p by cause}}."""
    causes = tuple(Cause(key, key, "") for key in prior if key != OTHER)
    keys = [cause.key for cause in causes]
    flow_steps, branches, rows, tests = [], [], [], []
    for key, step in steps.items():
        outcomes = tuple(Outcome(o, o, go(branch["go"], keys)) for o, branch in step["outcomes"].items())
        flow_steps.append(Step(key, key, TestKind.LOOK, outcomes, access=step.get("access", "")))
        first = len(rows)
        for o, branch in step["outcomes"].items():
            branches.append(Branch("p", key, o))
            rows.append([branch["p"][cause] for cause in prior])
        minutes, variance = step["minutes"], step.get("variance", 0.0)
        tests.append(Test("p", key, key, first, len(rows), minutes, variance, step.get("access", "")))
    model = CauseModel(
        causes=tuple(cause.identity for cause in causes) + (OTHER,) * (OTHER in prior),
        prior=np.array(list(prior.values())),
        branches=tuple(branches),
        table=np.array(rows),
        tests=tuple(tests),
        access_minutes=access,
    )
    return Flow("p", "P", "s", start, tuple(flow_steps), causes), model


def worked() -> tuple[Flow, CauseModel]:
    flow = EXAMPLE["inputs"]["flow"]
    steps = {
        key: {
            "minutes": step["minutes"],
            "outcomes": {o: {**b, "go": b["go"].removeprefix("cause:")} for o, b in step["outcomes"].items()},
        }
        for key, step in flow["steps"].items()
    }
    return built(steps, EXAMPLE["inputs"]["prior"], flow["start"], {})


def paths(
    flow: Flow, model: CauseModel, step: str, opened: frozenset[str]
) -> Iterator[tuple[np.ndarray, float, float, Outcome]]:
    """Every path from a step: probability by cause, minutes, variance of the minutes, and the outcome that ends it."""
    test = model.tests[model.test_of["p", step]]
    setup = 0.0 if test.access in opened else model.access_minutes.get(test.access, 0.0)
    for outcome in flow.step_by_key[step].outcomes:
        chance = model.table[model.row_of["p", step, outcome.key]]
        if outcome.go.kind is not GoKind.STEP:
            yield chance, test.minutes + setup, test.variance, outcome
            continue
        for later, minutes, variance, end in paths(flow, model, outcome.go.key, opened | {test.access}):
            yield chance * later, test.minutes + setup + minutes, test.variance + variance, end


def enumerated(flow: Flow, model: CauseModel) -> dict[str, float]:
    found = dict.fromkeys(("minutes", "square", "right", "wrong", "dead_end", "handed_over"), 0.0)
    for chance, minutes, variance, end in paths(flow, model, flow.start, frozenset()):
        mass = model.prior * chance
        total = float(mass.sum())
        found["minutes"] += total * minutes
        found["square"] += total * (minutes**2 + variance)
        if end.go.kind is GoKind.CAUSE:
            hit = float(mass[model.column_of[flow.cause_by_key[end.go.key].identity]])
            found["right"] += hit
            found["wrong"] += total - hit
        else:
            found["handed_over" if end.go.kind is GoKind.HAND_OVER else "dead_end"] += total
    return found


def test_worked_example() -> None:
    found, expected = appraise(*worked()), EXAMPLE["expected"]
    tolerance = EXAMPLE["tolerance"]
    assert found.minutes == pytest.approx(expected["expected_minutes"], abs=tolerance)
    assert found.deviation == pytest.approx(expected["sd_minutes"], abs=tolerance)
    assert [found.right, found.wrong, found.dead_end, found.handed_over] == pytest.approx(
        [expected["right"], expected["wrong"], expected["dead_end"], 0.0], abs=tolerance
    )
    traffic = {f"{step}/{outcome}": passing.traffic for (step, outcome), passing in found.branches.items()}
    assert traffic == pytest.approx(expected["traffic"], abs=tolerance)
    masses = {"s2/low": "cause:c2", "s3/silent": "cause:c1", "s4/bad": "cause:c3", "s4/good": "out"}
    for branch, end in masses.items():
        passing = found.branches[tuple(branch.split("/"))]  # type: ignore[index]
        assert passing.posterior * passing.traffic == pytest.approx(
            np.array(list(expected["end_mass"][end].values())), abs=tolerance
        )


def test_worked_example_equals_its_paths() -> None:
    assert_equals_paths(*worked())


def assert_equals_paths(flow: Flow, model: CauseModel) -> Appraisal:
    found, expected = appraise(flow, model), enumerated(flow, model)
    assert found.minutes == pytest.approx(expected["minutes"], rel=1e-12, abs=1e-12)
    assert [found.right, found.wrong, found.dead_end, found.handed_over] == pytest.approx(
        [expected[key] for key in ("right", "wrong", "dead_end", "handed_over")], rel=1e-12, abs=1e-12
    )
    square = found.deviation**2 + found.minutes**2
    assert square == pytest.approx(expected["square"], rel=1e-12, abs=1e-12)
    return found


@st.composite
def flows(draw: st.DrawFn) -> tuple[Flow, CauseModel]:
    causes = ["c1", "c2", "c3"][: draw(st.integers(1, 3))]
    prior_weights = [draw(st.integers(0, 9)) for _ in causes] + [1]
    prior = {c: w / sum(prior_weights) for c, w in zip([*causes, OTHER], prior_weights, strict=True)}
    names = [f"s{i}" for i in range(draw(st.integers(1, 6)))]
    steps: dict[str, dict[str, Any]] = {}
    for place, name in enumerate(names):
        count = draw(st.integers(1, 3))
        weights = {c: [draw(st.integers(1, 9)) for _ in range(count)] for c in prior}
        targets = [*names[place + 1 :], *causes, "out", "hand-over q"]
        steps[name] = {
            "minutes": draw(st.floats(0.25, 30)),
            "variance": draw(st.floats(0, 50)),
            "access": draw(st.sampled_from(["", "lifted", "bumper-off"])),
            "outcomes": {
                f"o{i}": {"go": draw(st.sampled_from(targets)), "p": {c: w[i] / sum(w) for c, w in weights.items()}}
                for i in range(count)
            },
        }
    return built(steps, prior, "s0", {"lifted": 8.0, "bumper-off": 12.0})


@given(flows())
@settings(max_examples=examples(150))
def test_equals_enumeration_of_all_paths(problem: tuple[Flow, CauseModel]) -> None:
    found = assert_equals_paths(*problem)
    assert found.right + found.wrong + found.dead_end + found.handed_over == pytest.approx(1)
    for passing in found.branches.values():
        assert np.all(np.isfinite(passing.posterior))
        assert passing.posterior.sum() == pytest.approx(1 if passing.traffic > 0 else 0)


@given(flows(), st.data())
@settings(max_examples=examples(60))
def test_slopes_equal_finite_differences(problem: tuple[Flow, CauseModel], data: st.DataObject) -> None:
    flow, model = problem
    sensitivities = appraise(flow, model).sensitivities
    if not sensitivities:
        return
    one = data.draw(st.sampled_from(sensitivities))
    test = model.tests[model.test_of["p", one.step]]
    column, row = model.column_of[one.cause], model.row_of["p", one.step, one.outcome]
    ends = []
    for change in (-1e-6, 1e-6):
        table = model.table.copy()
        rest = 1 - table[row, column]
        table[test.start : test.stop, column] *= (rest - change) / rest
        table[row, column] = 1 - rest + change
        moved = CauseModel(
            model.causes, model.prior, model.branches, table, model.tests, access_minutes=model.access_minutes
        )
        ends.append(appraise(flow, moved))
    assert (ends[1].minutes - ends[0].minutes) / 2e-6 == pytest.approx(one.minutes_slope, abs=1e-4)
    assert (ends[1].right - ends[0].right) / 2e-6 == pytest.approx(one.right_slope, abs=1e-5)


def test_which_number_matters_most() -> None:
    found = appraise(*worked()).sensitivities
    # By hand: 0.3 x 0.9 of all runs come to s2 with c2; full leads to 3 + 0.8 x 6 minutes more, low to none.
    assert (found[0].step, found[0].cause, found[0].outcome) == ("s2", "c2#", "low")
    assert found[0].minutes_slope == pytest.approx(-0.27 * 7.8)
    assert found[0].minutes_spread == pytest.approx(0.27 * 7.8 * (0.1 * 0.9 / 3) ** 0.5)
    assert found[0].right_slope == pytest.approx(0.27)
    assert [one.minutes_spread for one in found] == sorted((one.minutes_spread for one in found), reverse=True)


def test_spread_of_the_minutes_is_that_of_drawn_likelihoods() -> None:
    """The delta method against 800 draws of one step's Dirichlet with 40 jobs behind it."""
    flow, model = worked()
    evidence = np.zeros_like(model.table)
    evidence[:] = model.table * 40
    fixed = CauseModel(model.causes, model.prior, model.branches, model.table, model.tests, evidence=evidence)
    told = next(one for one in appraise(flow, fixed).sensitivities if (one.step, one.cause) == ("s1", "c1#"))
    rng = np.random.default_rng(3)
    minutes = []
    for draw in rng.dirichlet(model.table[:2, 0] * 42, 800):
        table = model.table.copy()
        table[:2, 0] = draw
        minutes.append(
            appraise(flow, CauseModel(model.causes, model.prior, model.branches, table, model.tests)).minutes
        )
    assert told.minutes_spread == pytest.approx(np.std(minutes), rel=0.08)


def test_set_up_is_paid_once_on_each_way() -> None:
    one = appraise(horn(), model_of(horn(), {}, as_of="2026-11", access_minutes={"bumper-off": 12.0}))
    free = appraise(horn(), model_of(horn(), {}, as_of="2026-11"))
    opened = one.branches["press", "click"].traffic
    assert one.minutes - free.minutes == pytest.approx(12 * opened)
    assert one.right == pytest.approx(free.right)


def test_a_step_of_a_draft_without_answers_is_a_dead_end() -> None:
    flow = horn()
    steps = tuple(replace(step, outcomes=()) if step.key == "supply" else step for step in flow.steps)
    draft = replace(flow, steps=steps)
    found = appraise(draft, model_of(draft, {}, as_of="2026-11", access_minutes={"bumper-off": 12.0}))
    assert found.dead_end + found.handed_over == pytest.approx(1) and found.minutes == pytest.approx(1)


@pytest.mark.parametrize("key", ["cranks-no-start", "brake-lamps-off", "coolant-temperature-wrong"])
def test_jobs_take_the_minutes_that_are_expected_of_them(key: str) -> None:
    """6,000 jobs that followed the written order, timed as a clock does, set-ups within the steps."""
    access = {state: one.minutes for state, one in CATALOG.access.items()}
    rng = np.random.default_rng(5)
    jobs = list(closed_jobs(rng, drawn(rng, SHELF[key], access=access), 6000, months=1, verified=(1.0, 1.0)))
    took = np.array([sum(result.seconds or 0 for result in job.results) / 60 for job in jobs])
    tallies = merge(contributions(job) for job in jobs)
    expected = appraise(SHELF[key], model_of(SHELF[key], tallies, as_of="2022-01", access_minutes=access))
    assert expected.minutes == pytest.approx(took.mean(), rel=0.04)


def test_everything_unknown_is_wrong_where_a_cause_is_named() -> None:
    steps = {"s": {"minutes": 1, "outcomes": {"yes": {"go": "c1", "p": {"c1": 1.0, OTHER: 1.0}}}}}
    found = appraise(*built(steps, {"c1": 0.7, OTHER: 0.3}, "s", {}))
    assert (found.right, found.wrong) == pytest.approx((0.7, 0.3))
    assert found.sensitivities == ()


def test_a_branch_that_leads_nowhere_is_a_dead_end() -> None:
    steps = {
        "s": {"minutes": 1, "outcomes": {"yes": {"go": "gone", "p": {"c1": 1.0, OTHER: 1.0}}}},
        "never": {"minutes": 9, "outcomes": {"yes": {"go": "c1", "p": {"c1": 1.0, OTHER: 1.0}}}},
    }
    found = appraise(*built(steps, {"c1": 0.7, OTHER: 0.3}, "s", {}))
    assert (found.dead_end, found.minutes) == (1.0, 1.0)
    assert found.branches["never", "yes"].traffic == 0
    assert list(found.branches["never", "yes"].posterior) == [0, 0]


def test_drafts_that_cannot_be_appraised_say_why() -> None:
    flow, model = worked()
    with pytest.raises(ValueError) as start:
        appraise(Flow("p", "Horn", "s", "gone", flow.steps, flow.causes), model)
    assert str(start.value) == "Horn has no first step, so there is nothing to appraise."
    steps = {
        "a": {"minutes": 1, "outcomes": {"yes": {"go": "b", "p": {"c1": 1.0}}}},
        "b": {"minutes": 1, "outcomes": {"no": {"go": "a", "p": {"c1": 1.0}}}},
    }
    with pytest.raises(ValueError) as loop:
        appraise(*built(steps, {"c1": 1.0}, "a", {}))
    assert str(loop.value) == "A loop has no expected minutes: b leads back to a."
    with pytest.raises(ValueError) as missing:
        appraise(flow, model_of(horn(), {}, as_of="2026-11"))
    assert str(missing.value) == "Nothing was learned about s1, click; learn from this revision before appraising it."


@pytest.mark.parametrize("jobs", [0, 12, 120])
def test_the_intervals_are_those_of_drawn_figures(jobs: int) -> None:
    """Oracle: likelihoods, shares of causes and minutes drawn from what is known, each appraised on its own."""
    causes = [cause.identity for cause in horn().causes]
    parts = [tally("supply", "full", causes[0], jobs), tally("supply", "absent", causes[1], 2 * jobs)] if jobs else []
    model = model_of(horn(), together(*parts), as_of="2026-11")
    told, generator = appraise(horn(), model), np.random.default_rng(5)
    assert told.minutes_range is not None and told.right_range is not None
    luck = compare_revisions._SharedDraws(generator, 1500)
    found = np.array(
        [
            (one.minutes, one.right)
            for one in (
                appraise(horn(), drawn, with_sensitivities=False)
                for drawn in compare_revisions._drawn(model, model, luck, 1500)
            )
        ]
    )
    assert (told.minutes_error, told.right_error) == pytest.approx(tuple(found.std(axis=0)), rel=0.2)
    inside = (found[:, 0] >= told.minutes_range[0]) & (found[:, 0] <= told.minutes_range[1])
    assert 0.74 < inside.mean() < 0.86
