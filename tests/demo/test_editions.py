"""The earlier editions of two procedures: sound in themselves, and worse than the ones of the shelf by the truth."""

from __future__ import annotations

from datetime import timedelta
from functools import cache
from statistics import median

import numpy as np
import pytest

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.comparison.compare import compare
from shopkb.core.flow.model import Flow
from shopkb.demo.editions import WorldError, earlier_flows, edition_path, read_file
from shopkb.demo.nature import Nature
from shopkb.demo.simulator import ShopSimulator
from shopkb.demo.truth import Circumstances, Edition, cause_weights
from shopkb.reports.figures.new_revisions import edition_figures, quicker
from tests.conftest import ROOT
from tests.demo.cases import fact_of_past
from tests.demo.invented import NOW, flows, others, truth
from tests.demo.proving import HALFWAY, Fare, chances, fare, platforms_of
from tests.shelf import CATALOG, MARK

each = pytest.mark.parametrize("said", truth().editions, ids=lambda said: said.key)


@cache
def edition(key: str) -> Flow:
    return read_file(ROOT / "fixtures" / "demo" / "editions" / f"{key}.yaml")


@cache
def costs(flow: Flow) -> Fare:
    return fare(truth(), flow, {key: access.minutes for key, access in CATALOG.access.items()})


def test_every_file_is_named_by_the_truth() -> None:
    files = sorted((ROOT / "fixtures" / "demo" / "editions").glob("*.yaml"))
    assert files == sorted(edition_path(ROOT, said) for said in truth().editions)
    assert [path for path in files if path.read_text(encoding="utf-8").splitlines()[0] != MARK] == []


@each
def test_an_edition_passes_every_check(said: Edition) -> None:
    assert [finding.text() for finding in check_flow(edition(said.key), CATALOG)] == []
    assert edition(said.key).procedure == said.key


@each
def test_an_edition_ends_at_every_cause(said: Edition) -> None:
    flow = edition(said.key)
    nature, found = Nature(flow, truth().of(flow)), {}
    for platform in platforms_of(truth(), flow):
        weights = cause_weights(nature.spec, flow, Circumstances(platform, HALFWAY))
        causes = [cause.identity for cause in flow.causes if weights[cause.identity] > 0]
        found |= {(one, platform): chances(truth(), nature, one, platform, errors=0).first for one in causes}
    assert found == pytest.approx(dict.fromkeys(found, 1.0))


@each
def test_the_newer_edition_keeps_keys_and_costs_less(said: Edition) -> None:
    """So there is an improvement to be seen: at least two minutes a job, and no fewer right ends at once.

    A wrong end is dear: counted with the minutes of a repair in vain, the median of what the procedure's repairs take.
    """
    old, new = edition(said.key), flows()[said.key]
    assert {cause.key: cause.identity for cause in old.causes} == {cause.key: cause.identity for cause in new.causes}
    assert compare(old, new)
    in_vain = median(cause.minutes or 0 for cause in new.causes)
    dear = {flow: costs(flow).minutes + costs(flow).wrong * in_vain for flow in (old, new)}
    assert dear[new] <= dear[old] - 2
    assert costs(new).right >= costs(old).right


def test_the_one_improved_halfway_is_quicker_and_fits_fewer_wrong_parts() -> None:
    """So much that a manager sees it among the jobs of a year: ten minutes a job, and half of the wrong ends."""
    key = "starter-does-not-turn"
    old, new = costs(edition(key)), costs(flows()[key])
    assert new.minutes <= old.minutes - 10
    assert new.wrong <= old.wrong / 2
    assert new.right >= old.right + 0.1


def test_a_manager_sees_it_in_the_figures_of_its_jobs() -> None:
    """The jobs of the demo's three years with this procedure alone, some 400: quicker, with fewer repairs in vain, and
    clearly so, since the intervals of 80 % leave zero and each other behind. None of 40 seeds missed either."""
    key = "starter-does-not-turn"
    alone = [one.model_copy(update={"share": float(one.key == key)}) for one in truth().procedures]
    shop = ShopSimulator(
        truth().model_copy(update={"procedures": tuple(alone)}), flows(), np.random.default_rng(11),
        NOW - timedelta(days=1096), NOW, {key: access.minutes for key, access in CATALOG.access.items()},
        earlier=earlier_flows(truth(), others()),
    )  # fmt: skip
    jobs = [fact_of_past(flows(), number, made) for number, made in enumerate(shop.jobs(400))]
    before, since = (edition_figures(jobs, key, number) for number in (1, 2))
    moved = quicker(before, since)
    assert moved is not None and moved.high < 0
    assert (since.in_vain.upper or 1) < (before.in_vain.lower or 0)


def test_one_was_superseded_and_one_still_waits() -> None:
    assert earlier_flows(truth(), others()) == {"starter-does-not-turn": (edition("starter-does-not-turn"), 0.5)}
    assert others()["starter-does-not-turn"] == edition("starter-does-not-turn")
    assert others()["brake-lamps-off"] == flows()["brake-lamps-off"]


def test_a_missing_file_is_said() -> None:
    with pytest.raises(WorldError, match=r"^horn\.yaml in editions cannot be read\.$"):
        read_file(ROOT / "fixtures" / "demo" / "editions" / "horn.yaml")
