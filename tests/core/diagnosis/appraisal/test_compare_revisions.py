"""Two revisions compared. Oracles: draws of numpy's own Dirichlet, and changes whose effect is known beforehand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shopkb.core.diagnosis.appraisal.compare_revisions import difference
from shopkb.core.diagnosis.appraisal.expected_cost import appraise
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import floored
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step, TestKind
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn, tally, together
from tests.core.diagnosis.learning import model_of

EVIDENCE = together(
    tally("", "", HORN, 40), tally("", "", GROUND, 20), tally("", "", RELAY, 20),
    tally("press", "click", HORN, 39, timed=39, seconds=39 * 60, seconds_squared=39 * 3700),
    tally("press", "click", GROUND, 20), tally("press", "click", RELAY, 18), tally("press", "sounds", RELAY, 2),
    tally("supply", "full", HORN, 38, timed=38, seconds=38 * 240, seconds_squared=38 * 60000),
    tally("supply", "full", GROUND, 19), tally("supply", "weak", RELAY, 15), tally("supply", "absent", RELAY, 3),
    tally("ground", "good", HORN, 36), tally("ground", "bad", GROUND, 18), tally("ground", "bad", HORN, 2),
    tally("direct", "silent", HORN, 35), tally("direct", "sounds", HORN, 1),
)  # fmt: skip


def learned(flow: Flow) -> tuple[Flow, CauseModel]:
    return flow, model_of(flow, EVIDENCE, as_of="2026-11")


def with_extra(minutes: float, key: str = "look") -> Flow:
    """The horn with one more step before everything, that tells nothing."""
    flow = horn()
    extra = Step(key, "Look round", TestKind.LOOK, (Outcome("ok", "Done", Go(GoKind.STEP, "press")),), minutes=minutes)
    return replace(flow, start=key, steps=(extra, *flow.steps))


def test_a_flow_does_not_differ_from_itself() -> None:
    found = difference(learned(horn()), learned(horn()), np.random.default_rng(1), draws=50)
    assert (found.minutes.mean, found.minutes.low, found.minutes.high) == (0, 0, 0)
    assert (found.faster, found.right_falls, found.untested) == (0, 0, 0)
    assert not found.is_faster


def test_a_step_that_tells_nothing_costs_its_minutes() -> None:
    found = difference(learned(horn()), learned(with_extra(10)), np.random.default_rng(1), draws=200)
    # Written minutes count as two jobs that scatter by half of them: standard error 5 / 2^0.5.
    assert found.minutes.mean == pytest.approx(10, abs=0.8)
    assert found.minutes.high - found.minutes.low == pytest.approx(2 * 1.2816 * 5 / 2**0.5, rel=0.2)
    assert found.right.mean == pytest.approx(0, abs=1e-9)
    assert found.untested == pytest.approx(10 / appraise(*learned(with_extra(10)), with_sensitivities=False).minutes)
    assert found.words.startswith("That it is faster is not shown (")
    assert found.words.endswith(" It assumes that readings do not depend on each other.")
    back = difference(learned(with_extra(10)), learned(horn()), np.random.default_rng(1), draws=200)
    assert back.is_faster
    assert back.minutes.mean == pytest.approx(-found.minutes.mean, abs=0.8)
    assert back.words.startswith("It is faster (100% sure): ")
    assert back.untested == 0


def test_quicker_and_more_often_wrong_is_not_called_faster() -> None:
    """Straight from the supply to the horn: the ground is never measured."""
    flow = horn()
    supply = replace(
        flow.step_by_key["supply"],
        outcomes=tuple(
            replace(one, go=Go(GoKind.CAUSE, "horn-open")) if one.key == "full" else one
            for one in flow.step_by_key["supply"].outcomes
        ),
    )
    short = replace(flow, steps=tuple(supply if step.key == "supply" else step for step in flow.steps))
    found = difference(learned(horn()), learned(short), np.random.default_rng(2), draws=200)
    assert found.faster >= 0.9
    assert found.right.mean < -0.1
    assert found.right_falls > 0.9
    assert not found.is_faster
    assert found.words.startswith("That it is faster is not shown (right ends may fall: ")


def test_a_draft_that_hardly_any_job_has_tried_is_not_called_faster() -> None:
    """Without any evidence the draft has only its writer's word, however good it looks."""
    old, new = with_extra(20), horn()
    found = difference((old, model_of(old, {}, as_of="2026-11")), (new, model_of(new, {}, as_of="2026-11")),
                       np.random.default_rng(1), draws=50)  # fmt: skip
    assert found.faster >= 0.9
    assert found.untested == 1
    assert found.words.startswith("That it is faster is not shown (too little of it has been tried): ")


def test_draws_are_those_of_the_dirichlet() -> None:
    """Right ends of one flow, drawn here by numpy's own Dirichlet, scatter as the shared draws do."""
    flow, model = learned(horn())
    rng = np.random.default_rng(9)
    assert model.prior_weights is not None and model.table_weights is not None
    right = []
    for _ in range(400):
        table = model.table.copy()
        for test in model.tests:
            for column in range(len(model.causes)):
                table[test.start : test.stop, column] = rng.dirichlet(
                    model.table_weights[test.start : test.stop, column]
                )
            table[test.start : test.stop] = floored(table[test.start : test.stop])
        drawn = replace(model, prior=rng.dirichlet(model.prior_weights), table=table)
        right.append(appraise(flow, drawn, with_sensitivities=False).right)
    never = replace(flow, start="stop", steps=(*flow.steps, Step("stop", "Stop", TestKind.LOOK, (
        Outcome("ok", "Done", Go(GoKind.OUT)),
    ), minutes=1)))  # fmt: skip
    found = difference(learned(never), learned(flow), np.random.default_rng(3), draws=400)
    low, high = np.quantile(right, (0.1, 0.9))
    assert found.right.mean == pytest.approx(np.mean(right), abs=0.01)
    assert (found.right.low, found.right.high) == pytest.approx((low, high), abs=0.02)


def test_the_same_seed_gives_the_same_answer() -> None:
    one, two = (
        difference(learned(horn()), learned(with_extra(3)), np.random.default_rng(5), draws=30) for _ in range(2)
    )
    assert one == two


def test_a_cause_that_only_one_revision_knows_is_other_to_the_other() -> None:
    flow = horn()
    fewer = replace(flow, causes=flow.causes[:2])
    found = difference(learned(fewer), learned(flow), np.random.default_rng(4), draws=200)
    assert found.right.low > 0
    assert np.isfinite(found.minutes.mean)


def test_models_that_were_not_learned_are_refused() -> None:
    flow, model = learned(horn())
    with pytest.raises(ValueError) as caught:
        difference((flow, replace(model, table_weights=None)), (flow, model), np.random.default_rng(1))
    assert str(caught.value) == "Both revisions must be learned from evidence before they can be compared."
