"""Learned beside true: shares worked out by hand, branches counted by hand, coverage by the binomial law."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from uuid import UUID

import pytest
from scipy.stats import binom

from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.demo.comparing import LEVEL, ComparedFigure, branch_truth, compare, coverage, prior_truth
from shopkb.demo.past_jobs import PastJob, PastResult, PastRun
from shopkb.demo.simulator import Simulated
from shopkb.demo.truth import ProcedureTruth
from tests.demo.cases import case_of_past
from tests.demo.invented import NOW, flows, shop, simulated, truth

KEY = "blower-only-top-speed"
BEYOND: dict[str, frozenset[str]] = {key: frozenset() for key in flows()}


def identity(key: str) -> str:
    return flows()[KEY].cause_by_key[key].identity


def job(cause: str, *way: tuple[str, str], disposition: str = "cured", comes_back: bool = False) -> Simulated:
    results = tuple(PastResult(step, NOW, "dorcas", outcome) for step, outcome in way)
    past = PastJob(
        UUID(int=1), "WSB 001", "curlew/dunlin", "Only top speed.", NOW, "dorcas", NOW + timedelta(hours=1), "dorcas",
        disposition, runs=(PastRun(KEY, "dorcas", NOW, results),),
    )  # fmt: skip
    return Simulated(past, identity(cause), comes_back=comes_back)


def line(kind: str, true: float, low: float, high: float) -> ComparedFigure:
    return ComparedFigure(kind, "horn", "horn#open", true, (low + high) / 2, low, high, 9)


def test_branches_count_verified_jobs_whose_cause_can_be_reached() -> None:
    to_pack = (("speeds", "only-top"), ("kind", "pack"), ("pack-look", "clean"), ("pack-ohms", "open"))
    jobs = [
        job("pack-open", *to_pack),
        job("switch-contacts", *to_pack),
        job("connector-burnt", *to_pack),
        job("connector-burnt", *to_pack, disposition="unsolved"),
        job("connector-burnt", *to_pack, comes_back=True),
    ]
    found = branch_truth(flows(), jobs, BEYOND)
    assert found == {
        (KEY, ("speeds", "only-top")): 1.0,
        (KEY, ("kind", "pack")): 1.0,
        (KEY, ("pack-look", "clean")): 1.0,
        (KEY, ("pack-ohms", "open")): pytest.approx(2 / 3),
    }


def test_an_answer_replaced_does_not_count() -> None:
    again = job(
        "connector-burnt", ("speeds", "only-top"), ("kind", "pack"), ("pack-look", "clean"), ("pack-look", "burnt")
    )
    assert (KEY, ("pack-look", "clean")) not in branch_truth(flows(), [again], BEYOND)


def test_a_cause_behind_a_hand_over_can_be_reached() -> None:
    key, welded = "battery-flat-overnight", "circuit/relay#contacts welded"
    past = replace(
        job("pack-open").past, runs=(PastRun(key, "dorcas", NOW, (PastResult("story", NOW, "dorcas", "fits"),)),)
    )
    story = (key, ("story", "fits"))
    assert branch_truth(flows(), [Simulated(past, welded)], BEYOND) == {story: 0.0}
    beyond = BEYOND | {"parasitic-draw-method": frozenset({welded})}
    assert branch_truth(flows(), [Simulated(past, welded)], beyond) == {story: 1.0}


def test_shares_of_causes_by_hand() -> None:
    """Two vehicles, one of them with a factor of 3."""
    said = ProcedureTruth(
        key=KEY,
        causes={"pack-open": 1.0, "connector-burnt": 1.0},
        platforms={"curlew/dunlin": {"pack-open": 3.0}},
    )
    vehicles = tuple(truth().vehicles[0].model_copy(update={"platform": path}) for path in ("curlew/dunlin", "godwit"))
    shop_truth = truth().shop.model_copy(update={"growth": 1.0})
    small = truth().model_copy(update={"procedures": (said,), "vehicles": vehicles, "shop": shop_truth})
    assert prior_truth(small, flows()[KEY]) == {
        identity("pack-open"): pytest.approx((3 / 4 + 1 / 2) / 2),
        identity("connector-burnt"): pytest.approx((1 / 4 + 1 / 2) / 2),
    }


def test_an_interval_holds_what_rounds_to_its_limit() -> None:
    assert line("cause", 0.1004, 0.05, 0.1).inside
    assert not line("cause", 0.1006, 0.05, 0.1).inside
    assert line("cause", 0.0496, 0.05, 0.1).inside
    assert not line("cause", 0.0494, 0.05, 0.1).inside


def test_coverage_allows_for_chance_by_the_binomial_law() -> None:
    lines = [line("cause", 0.5, 0.4, 0.6)] * 15 + [line("cause", 0.9, 0.4, 0.6)] * 5
    causes, branches = coverage(lines)
    assert (causes.lines, causes.inside, causes.share) == (20, 15, 0.75)
    assert binom.cdf(causes.least - 1, 20, LEVEL) < 0.01 <= binom.cdf(causes.least, 20, LEVEL)
    assert causes.enough
    assert (branches.lines, branches.enough) == (0, True)
    assert not coverage([line("branch", 0.9, 0.4, 0.6)] * 9)[1].enough


def test_intervals_of_an_invented_shop_hold_the_truth() -> None:
    """The whole way without a database: 500 jobs learned from, 1500 others as the long run."""
    tallies = merge(contributions(case_of_past(flows(), made)) for made in simulated(500, 12))
    lines = compare(truth(), flows(), tallies, shop(13).jobs(1500))
    causes, branches = coverage(lines)
    assert causes.lines > 80
    assert branches.lines > 200
    assert causes.enough
    assert branches.enough
    told = {made.past.client_id for made in simulated(500, 12)}
    assert told.isdisjoint(made.past.client_id for made in shop(13).jobs(50))


def test_a_wrong_truth_is_noticed() -> None:
    """Causes met the other way round than the truth says: too few intervals hold it."""
    tallies = merge(contributions(case_of_past(flows(), made)) for made in simulated(500, 12))
    turned = tuple(
        said.model_copy(update={"causes": dict(zip(said.causes, reversed(said.causes.values()), strict=True))})
        for said in truth().procedures
    )
    lines = compare(truth().model_copy(update={"procedures": turned}), flows(), tallies, [])
    assert not coverage(lines)[0].enough
