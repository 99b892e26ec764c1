"""What a reading itself says of each cause, against densities of scipy and a posterior by enumeration."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import cauchy, norm

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.belief.reading_densities import (
    ANYWHERE,
    BAND_WEIGHT,
    LEAST_BANDS,
    MeasuredAnswer,
    StepDensities,
)
from shopkb.core.diagnosis.belief.reading_fit import MOST_KEPT, step_readings
from shopkb.core.diagnosis.belief.reading_likelihoods import reading_factors, with_readings
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.flow.model import Flow
from shopkb.core.flow.paths import causes_reachable
from tests.shelf import SHELF
from tests.simulation.measured import SETTINGS, closed_jobs, readings_of, world_of

WORLD = world_of(np.random.default_rng(5), SETTINGS[0], 6)
FLOW = WORLD.flow
TAUGHT = list(closed_jobs(np.random.default_rng(6), WORLD, 150))
MODEL = learn(count(FLOW, merge(contributions(case) for case in TAUGHT), as_of="2026-01"))
READINGS = readings_of(MODEL, FLOW, TAUGHT)
STEP = FLOW.start


def result(reading: float | str, step: str = STEP, unit: str = "V", flow: Flow = FLOW) -> CaseResult:
    outcome = flow.step_by_key[step].outcomes[int(float(reading) >= 1.0)].key
    return CaseResult(flow.procedure, step, outcome, reading=Decimal(str(reading)), unit=unit)


def by_hand(model: CauseModel, step: str, reading: float, learned: StepDensities) -> list[float]:
    """P(reading | cause), up to one factor, from the definitions alone."""
    place = math.asinh(reading / learned.scale)

    def width(at: float) -> float:
        meter = math.hypot(0.01 * at, 0.01)  # 1 % and 0.01 V
        return math.hypot(learned.width, meter / math.hypot(at, learned.scale))

    kept: dict[str, list[float]] = defaultdict(list)
    for cause, readings in learned.by_cause.items():
        kept[cause if cause in model.causes else model.causes[-1]] += readings
    every = [one for readings in kept.values() for one in readings]
    places = [math.asinh(one / learned.scale) for one in every]
    spread = float(np.quantile(places, 0.84) - np.quantile(places, 0.16))
    heard = [norm.pdf(place, at, width(one)) for one, at in zip(every, places, strict=True)]
    whole = (1 - ANYWHERE) * float(np.mean(heard)) + ANYWHERE * cauchy.pdf(
        place, float(np.median(places)), max(spread, 4 * learned.width)
    )
    meter = math.hypot(0.01 * reading, 0.01)
    above = float(norm.sf((1.0 - reading) / meter))
    test = model.tests[model.test_of[FLOW.procedure, step]]
    low, high = model.table[test.start : test.stop]
    p_low, p_high = float(low @ model.prior), float(high @ model.prior)
    found = []
    for column, cause in enumerate(model.causes):
        mine = kept.get(cause, [])
        own = float(np.mean([norm.pdf(place, math.asinh(one / learned.scale), width(one)) for one in mine] or [0.0]))
        bands = (1 - above) * low[column] / p_low + above * high[column] / p_high
        share = max(BAND_WEIGHT / (BAND_WEIGHT + len(mine)), LEAST_BANDS)
        told = (1 - share) * own / whole + share * bands
        found.append((1 - learned.trust) * bands + learned.trust * told)
    return found


@given(st.floats(0.01, 30.0))
def test_the_belief_is_that_of_enumeration(reading: float) -> None:
    shown = float(f"{reading:.3f}")
    one = result(shown)
    likely = np.array(by_hand(MODEL, STEP, shown, READINGS[STEP]))
    expected = MODEL.prior * likely
    found = posterior(with_readings(MODEL, FLOW, [one], READINGS), [one])
    np.testing.assert_allclose(found, expected / expected.sum(), atol=1e-9)


def test_several_readings_in_any_order_are_a_product() -> None:
    shown = dict.fromkeys(READINGS, 0.4) | {STEP: 1.7}
    results = [result(reading, step) for step, reading in shown.items()]
    likely = np.prod([by_hand(MODEL, step, reading, READINGS[step]) for step, reading in shown.items()], axis=0)
    expected = MODEL.prior * likely
    for order in (results, results[::-1]):
        found = posterior(with_readings(MODEL, FLOW, order, READINGS), order)
        np.testing.assert_allclose(found, expected / expected.sum(), atol=1e-9)


@given(st.floats(0.0, 1e6))
def test_a_reading_never_tells_much_more_against_a_cause_than_its_band(reading: float) -> None:
    """Away from a limit: a meter that may stand before either band lets both speak."""
    shown = float(f"{reading:.3f}")
    if abs(shown - 1.0) < 0.1:
        return
    factors = reading_factors(MODEL, FLOW, result(shown), READINGS[STEP])
    assert factors is not None
    assert np.isfinite(factors).all()
    row = MODEL.row_of[FLOW.procedure, STEP, result(shown).outcome]
    alone = 1 / float(MODEL.table[row] @ MODEL.prior)
    assert factors.min() >= LEAST_BANDS * alone * (1 - 1e-9)


def test_the_belief_goes_over_smoothly_at_the_limit_where_the_bands_jump() -> None:
    readings = np.linspace(0.9, 1.1, 101).round(3)
    told = np.array([posterior(with_readings(MODEL, FLOW, [result(r)], READINGS), [result(r)]) for r in readings])
    bands = np.array([posterior(MODEL, [result(r)]) for r in readings])
    jump = np.abs(np.diff(bands, axis=0)).max()
    assert jump > 0.2
    assert np.abs(np.diff(told, axis=0)).max() < jump / 4


def test_near_the_limit_a_reading_says_less_of_the_side_than_far_from_it() -> None:
    """Bayes factor for the causes that the answer leads to, against all others."""
    behind = causes_reachable(FLOW, STEP, "no")
    side = np.array([cause in {FLOW.cause_by_key[key].identity for key in behind} for cause in MODEL.causes])

    def tells(reading: float) -> float:
        believed = posterior(with_readings(MODEL, FLOW, [result(reading)], READINGS), [result(reading)])
        odds, before = (one[side].sum() / one[~side].sum() for one in (believed, MODEL.prior))
        return abs(math.log(odds / before))

    far = min(tells(reading) for reading in (0.2, 0.3, 3.0, 4.0))
    assert tells(1.001) < 0.8 * far
    assert abs(tells(1.001) - tells(0.999)) < 0.2 * far


@pytest.mark.parametrize(
    "one",
    [
        CaseResult(FLOW.procedure, STEP, "yes"),
        replace(result(0.5), unit="ohm"),
        replace(result(0.5), procedure="another"),
        CaseResult(FLOW.procedure, STEP, "", skipped="no-time", reading=Decimal("0.5"), unit="V"),
        CaseResult(FLOW.procedure, "gone", "yes", reading=Decimal("0.5"), unit="V"),
    ],
)
def test_what_is_no_reading_of_the_step_leaves_the_model_as_it_is(one: CaseResult) -> None:
    assert with_readings(MODEL, FLOW, [one], READINGS) is MODEL


def test_the_unit_typed_does_not_matter_and_the_latest_counts() -> None:
    volts, millivolts = result(0.4), replace(result(0.4), reading=Decimal(400), unit="mV")
    once = posterior(with_readings(MODEL, FLOW, [volts], READINGS), [volts])
    again = [result(2.5), millivolts]
    np.testing.assert_allclose(posterior(with_readings(MODEL, FLOW, again, READINGS), again), once, atol=1e-12)


def test_readings_that_tell_nothing_more_are_trusted_little() -> None:
    """With one cause or another they are the same; only their bands differ by cause."""
    rng = np.random.default_rng(3)
    world = world_of(rng, SETTINGS[-1], 6)
    taught = list(closed_jobs(rng, world, 300))
    model = learn(count(world.flow, merge(contributions(case) for case in taught), as_of="2026-01"))
    kept = readings_of(model, world.flow, taught)
    often = [kept[key].trust if key in kept else 0.0 for key in (step.key for step in world.flow.steps)]
    assert np.mean(often) < 0.4
    assert np.mean([one.trust for one in READINGS.values()]) > 0.6


def test_few_readings_and_those_without_a_number_are_not_kept() -> None:
    step = FLOW.step_by_key[STEP]
    cause = MODEL.causes[0]
    few = [MeasuredAnswer(0.5, "yes", cause)] * 7
    assert step_readings(MODEL, FLOW, step, few) is None
    assert step_readings(MODEL, FLOW, step, [MeasuredAnswer(math.inf, "no", cause)] * 50) is None
    assert step_readings(MODEL, FLOW, replace(step, reading=None), few * 5) is None


def test_of_many_readings_the_newest_are_kept() -> None:
    rng = np.random.default_rng(4)
    answers = [
        MeasuredAnswer(float(reading), "yes" if reading < 1 else "no", MODEL.causes[place % 3])
        for place, reading in enumerate(np.exp(rng.normal(np.arange(900) % 3 - 1, 0.2)))
    ]
    kept = step_readings(MODEL, FLOW, FLOW.step_by_key[STEP], answers)
    assert kept is not None
    assert all(len(readings) == MOST_KEPT for readings in kept.by_cause.values())
    first = [one.reading for one in answers if one.cause == MODEL.causes[0]]
    assert kept.by_cause[MODEL.causes[0]] == tuple(first[-100:])


def test_a_circuit_tells_before_there_is_any_job() -> None:
    """Of two causes on the same side of a limit, the one whose circuit reads this value gains."""
    flow = SHELF["brake-lamps-off"]
    model = learn(count(flow, {}, as_of="2026-01"))
    told = 0
    for step in flow.steps:
        for outcome in step.outcomes:
            for reading in ("0.02", "0.4", "11.9"):
                one = CaseResult(flow.procedure, step.key, outcome.key, reading=Decimal(reading), unit="V")
                found = with_readings(model, flow, [one], {})
                if found is not model:
                    told += 1
                    believed = posterior(found, [one])
                    assert believed.sum() == pytest.approx(1)
                    assert np.isfinite(believed).all()
    assert told
