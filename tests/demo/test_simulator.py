"""The simulator obeys its truth. Witnesses: the procedures themselves, and scipy's tests of fit."""

from __future__ import annotations

import math
from collections import Counter
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chisquare, kstest

from shopkb.core.flow.model import GoKind
from shopkb.core.flow.walk import AnsweredStep, walk
from shopkb.core.readings.bands import Interval
from shopkb.core.readings.parsing import parse_reading
from shopkb.demo.comparing import prior_truth
from shopkb.demo.nature import Nature, choose, plausible, typed_reading
from shopkb.demo.simulator import arrival_minutes
from shopkb.demo.truth import comes_in
from shopkb.demo.visit import CLOSES, OPENS, Clock, Visit
from shopkb.jobs.answering import read_value, values_missing, with_computed
from tests.demo.invented import NOW, SINCE, flows, shop, simulated, truth

CAUSES = [(key, cause.key) for key, flow in flows().items() for cause in flow.causes]


def test_the_same_seed_makes_the_same_jobs() -> None:
    assert tuple(shop(1).jobs(40)) == tuple(shop(1).jobs(40))
    assert tuple(shop(1).jobs(40)) != tuple(shop(2).jobs(40))


@pytest.mark.parametrize(("procedure", "key"), CAUSES)
def test_careful_answers_end_at_the_cause(procedure: str, key: str) -> None:
    """Whatever is chosen where several outcomes are right, and on every kind of vehicle that can have the cause."""
    flow, here = flows()[procedure], shop()
    cause, identity = flow.cause_by_key[key], flow.cause_by_key[key].identity
    said = truth().of(flow)
    possible = [
        vehicle.platform
        for vehicle in truth().vehicles
        if comes_in(said, flow, vehicle.platform)
        and all(
            factors.get(key, 1.0) > 0
            for node, factors in said.platforms.items()
            if f"{vehicle.platform}/".startswith(f"{node}/")
        )
    ]
    assert possible
    kinds = {here.natures[procedure].kind(platform): platform for platform in possible}
    for seed, platform in enumerate(kinds.values()):
        visit = Visit(
            np.random.default_rng(seed), truth(), here.natures, identity, truth().technicians[0], Clock(NOW), {},
            platform=platform,
        )  # fmt: skip
        visit.begin(procedure)
        while visit.way().current:
            visit.answer(flow.step_by_key[visit.way().current], careful=True)
        end = visit.way().end
        assert end is not None
        assert end.go.kind is GoKind.CAUSE, (platform, visit.way().path)
        assert flow.cause_by_key[end.go.key].identity == cause.identity


def test_readings_lie_in_their_band() -> None:
    """Every band of every procedure, for every answer to the values it needs."""
    rng = np.random.default_rng(3)
    for key, flow in flows().items():
        nature = Nature(flow, truth().of(flow))
        for step in flow.steps:
            for outcome in step.outcomes:
                if outcome.band is None or step.reading is None:
                    continue
                for take in range(3):
                    asked = {}
                    for value in values_missing(flow, step, {}):
                        typed = nature.spec.values.get(value.key) or (str(value.low),)
                        asked[value.key] = read_value(value, typed[take % len(typed)])
                    known = with_computed(flow, asked)
                    text, size = typed_reading(rng, step, outcome, known)
                    reading = parse_reading(text, step.reading.quantity, step.reading.unit)
                    band = outcome.band.resolve(known, step.reading.unit)
                    assert reading.over_limit == band.over_limit, (key, step.key)
                    if size is not None and reading.quantity is not None:
                        assert band.holds(float(reading.quantity.to(step.reading.unit).magnitude)), (key, step.key)


@given(
    st.floats(-1e4, 1e4),
    st.floats(1e-3, 1e4),
    st.sampled_from(["V", "ohm", "bar", "A", "degC", "mV"]),
    st.sampled_from(["between", "above", "below"]),
)
def test_plausible_readings_lie_in_any_band(low: float, width: float, unit: str, shape: str) -> None:
    interval = {
        "between": Interval(low, low + width),
        "above": Interval(abs(low), math.inf),
        "below": Interval(-math.inf, width),
    }[shape]
    first, last = plausible(interval, unit)
    assert first <= last
    assert interval.holds((first + last) / 2)


# The shop's days


def test_jobs_come_in_order_and_in_the_shop_s_hours() -> None:
    jobs = [made.past for made in simulated(300)]
    assert all(earlier.opened_at <= later.opened_at for earlier, later in pairwise(jobs))
    assert all(SINCE.date() <= job.opened_at.date() for job in jobs)
    assert all(OPENS <= job.opened_at.time() <= CLOSES for job in jobs)
    assert all(job.opened_at < job.closed_at <= NOW for job in jobs)
    assert all(repair.at <= repair.verified_at <= job.closed_at for job in jobs for repair in job.repairs)


def test_work_goes_on_next_morning() -> None:
    clock = Clock(NOW.replace(hour=17, minute=0))
    assert clock.work(20) == NOW.replace(hour=17, minute=20)
    assert clock.work(20) == NOW.replace(hour=7, minute=40) + timedelta(days=1)


def test_nobody_works_on_sunday() -> None:
    saturday = NOW.replace(hour=17, minute=20) + timedelta(days=5)
    assert saturday.weekday() == 5
    assert Clock(saturday).work(20).weekday() == 0


@pytest.mark.parametrize("growth", [1.0, 1.5, 3.0])
def test_arrivals_grow_evenly(growth: float) -> None:
    """Kolmogorov-Smirnov against the integral of a rate that grows evenly from 1 to ``growth``."""
    days = 500
    minutes = arrival_minutes(np.random.default_rng(4), days, 4000, growth)
    share = (minutes // (24 * 60) + 0.5) / days
    slope = growth - 1

    def cumulative(part: np.ndarray) -> np.ndarray:
        return (part + slope * part**2 / 2) / (1 + slope / 2)

    assert kstest(share, cumulative).pvalue > 0.001
    assert np.all(np.diff(minutes) >= 0)


def test_causes_are_met_as_often_as_is_true() -> None:
    """Chi-square test of fit against the shares worked out from the truth's weights, without comebacks."""
    key = "overheats-fan-silent"
    true = prior_truth(truth(), flows()[key])
    here = shop(6)
    met: Counter[str] = Counter()
    for minute in arrival_minutes(np.random.default_rng(8), 540, 6000, truth().shop.growth):
        arrival = here._arrival(SINCE + timedelta(minutes=int(minute)))
        if arrival.procedure == key and arrival.cause:
            met[arrival.cause] += 1
    jobs = sum(met.values())
    assert jobs > 1000
    assert chisquare([met[cause] for cause in true], [share * jobs for share in true.values()]).pvalue > 0.001


def test_a_procedure_is_for_its_platforms() -> None:
    for made in simulated(600, 3):
        first = flows()[made.past.runs[0].procedure]
        assert comes_in(truth().of(first), first, made.past.platform)


def test_choosing_by_weight() -> None:
    rng = np.random.default_rng(9)
    drawn = Counter(choose(rng, {"a": 3.0, "b": 0.0, "c": 1.0}) for _ in range(4000))
    assert drawn["b"] == 0
    assert chisquare([drawn["a"], drawn["c"]], [3000, 1000]).pvalue > 0.001


# What happens to jobs


def test_comebacks_name_an_earlier_job_of_the_vehicle() -> None:
    jobs = simulated(600, 3)
    by_id = {made.past.client_id: made for made in jobs}
    back = [made for made in jobs if made.past.comeback_of]
    assert back
    for made in back:
        earlier = by_id[made.past.comeback_of]
        assert earlier.comes_back
        assert (earlier.past.registration, earlier.past.disposition) == (made.past.registration, "cured")
        assert earlier.past.closed_at < made.past.opened_at
        assert made.cause == earlier.cause
    assert len(back) == sum(made.comes_back for made in jobs)


def test_every_way_a_job_can_end_happens() -> None:
    jobs = simulated(600, 3)
    assert {made.past.disposition for made in jobs} == {
        "cured", "not-checked", "not-present", "declined", "sent-elsewhere", "unsolved"
    }  # fmt: skip
    assert any(made.wrong for made in jobs)
    assert any(repair.cured == "not-cured" for made in jobs for repair in made.past.repairs)
    assert any(repair.also for made in jobs for repair in made.past.repairs)
    assert any(run.came_from is not None for made in jobs for run in made.past.runs)
    assert {row.skipped for made in jobs for run in made.past.runs for row in run.results} >= {"no-time", "no-access"}


def test_a_right_cure_names_the_true_cause() -> None:
    for made in simulated(600, 3):
        if made.past.disposition == "cured":
            claimed = made.past.repairs[-1].cause
            assert (claimed == made.cause) != made.wrong


def test_repairs_stand_where_the_procedure_named_the_cause() -> None:
    for made in simulated(300):
        for repair in made.past.repairs:
            if repair.found_at is None:
                continue
            run = made.past.runs[repair.found_at[0]]
            flow, row = flows()[run.procedure], run.results[repair.found_at[1]]
            go = flow.step_by_key[row.step].outcome(row.outcome or row.onward).go
            assert flow.cause_by_key[go.key].identity == repair.cause


def test_results_follow_the_procedure() -> None:
    for made in simulated(300):
        for run in made.past.runs:
            entries = [AnsweredStep(row.step, row.outcome or row.onward) for row in run.results]
            for number, entry in enumerate(entries):
                way = walk(flows()[run.procedure], entries[:number])
                assert entry.step == way.current or entry.step in [step for step, _ in way.path]


def test_nothing_is_repaired_where_nothing_was_wrong() -> None:
    absent = [made.past for made in simulated(600, 3) if not made.cause]
    assert absent
    assert all(
        (past.disposition, past.repairs, past.complaint_verified) == ("not-present", (), "no") for past in absent
    )
