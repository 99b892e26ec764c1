"""A hand-over is believed as often as the writer's word and closed jobs have it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import beta

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.hand_over_priors import RIGHT, RIGHT_WEIGHT, with_hand_overs
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.flow_counts import OTHER, count
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.core.flow.hand_overs import CausesBehind, HandOverCauses
from shopkb.core.flow.model import Go, GoKind
from tests.core.diagnosis.flows import HORN, horn, result, tally, together

COIL = "body/horn/relay#coil open circuit"
BEHIND = HandOverCauses(
    (CausesBehind(("horn-control",), frozenset({COIL}), ("Horn relay is not called",)),),
    (("horn-control", frozenset({COIL})),),
)
HAND_OVER = "hand-over horn-control"


def learned(*parts: dict[TallyKey, TallySums]) -> CauseModel:
    return learn(count(horn(), together(*parts), as_of="2026-11", half_life=None, behind=BEHIND))


def believed(model: CauseModel) -> float:
    """What lies behind the hand-over, once it was taken: the first step's answer alone."""
    return float(posterior(model, [result("press", "no-click")])[model.column_of[HAND_OVER]])


def test_by_the_writers_word() -> None:
    """In a procedure of three causes it is more already; among many common ones it would be less."""
    assert believed(learned()) > RIGHT
    many = [tally("", "", HORN, 40)]
    assert believed(learned(*many)) == pytest.approx(RIGHT)


@pytest.mark.parametrize(("there", "elsewhere"), [(4, 0), (0, 6), (30, 10)])
def test_by_closed_jobs(there: int, elsewhere: int) -> None:
    parts = [
        tally("press", "no-click", COIL, there), tally("press", "no-click", HORN, elsewhere),
        tally("", "", COIL, there), tally("", "", HORN, elsewhere),
    ]  # fmt: skip
    expected = (RIGHT * RIGHT_WEIGHT + there) / (RIGHT_WEIGHT + there + elsewhere)
    assert believed(learned(*parts)) >= expected - 1e-9


def test_jobs_that_were_not_handed_over_do_not_speak_against_it() -> None:
    """Three hundred jobs with another cause, none of them handed over."""
    parts = tally("press", "click", HORN, 300), tally("", "", HORN, 300)
    assert believed(learned(*parts)) == pytest.approx(RIGHT, abs=0.01)


def test_what_is_believed_often_enough_is_left_alone() -> None:
    common = [tally("press", "no-click", COIL, 90), tally("", "", COIL, 90), tally("", "", HORN, 10)]
    model = learned(*common)
    assert with_hand_overs(horn(), model) == pytest.approx(np.asarray(model.prior_weights))
    assert believed(model) > 0.95


def test_no_hand_over_makes_common_what_many_jobs_never_found() -> None:
    """Three hundred jobs, half of them handed over by a test that errs as often: scipy's quantile for a share of which
    none was seen."""
    parts = [tally("press", "no-click", "", 150), tally("press", "click", HORN, 300), tally("", "", HORN, 300)]
    model = learned(*parts)
    assert model.prior[model.column_of[HAND_OVER]] < beta(1.5, 300).ppf(0.96)


def test_a_draft_with_a_loop_keeps_its_weights() -> None:
    model, flow = learned(), horn()
    first, *rest = flow.steps
    loop = replace(first, outcomes=(replace(first.outcomes[0], go=Go(GoKind.STEP, first.key)), *first.outcomes[1:]))
    usual = replace(model, prior_weights=np.ones(len(model.causes)))
    assert with_hand_overs(replace(flow, steps=(loop, *rest)), usual) == pytest.approx(np.ones(len(model.causes)))
    assert model.causes[-2:] == (HAND_OVER, OTHER)
