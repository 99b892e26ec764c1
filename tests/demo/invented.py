"""The invented shop for tests: its truth, its procedures, and jobs simulated from them, without a database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
from ruamel.yaml import YAML

from shopkb.accounts.models import User
from shopkb.core.flow.model import Flow
from shopkb.demo.editions import not_in_force
from shopkb.demo.kinds import read_kinds
from shopkb.demo.simulator import ShopSimulator, Simulated
from shopkb.demo.truth import Truth, read_truth
from shopkb.procedures.exchange import check_files, store
from tests.conftest import DEMO, FLOWS, ROOT, STARTER
from tests.kept_rows import put_back
from tests.shelf import SHELF

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
SINCE = NOW - timedelta(days=548)


@cache
def truth() -> Truth:
    return read_truth(DEMO / "truth.yaml")


@cache
def flows() -> dict[str, Flow]:
    """The shipped procedures by key."""
    return dict(SHELF)


@cache
def others() -> dict[str, Flow]:
    """Editions that the truth speaks of as well, by key."""
    return not_in_force(ROOT, truth())


def put_in_force(by: User, second: User) -> None:
    """The shipped procedures, published by the doors."""

    def make() -> None:
        store(
            check_files(sorted(FLOWS.glob("*.yaml")), read_kinds(ROOT).fitted),
            by=by,
            at=SINCE - timedelta(days=30),
            publish_by=second,
        )

    put_back("invented", make, {"by": by.pk, "second": second.pk})


@cache
def dangers() -> frozenset[str]:
    """Keys of the shipped cautions that are a DANGER."""
    cautions = YAML(typ="safe", pure=True).load(STARTER / "cautions.yaml")
    return frozenset(caution["key"] for caution in cautions if caution["signal"] == "DANGER")


def shop(seed: int = 1, said: Truth | None = None) -> ShopSimulator:
    rng = np.random.default_rng(seed)
    return ShopSimulator(said or truth(), flows(), rng, SINCE, NOW, {"bumper-off": 25.0}, dangers())


@cache
def simulated(count: int, seed: int = 1) -> tuple[Simulated, ...]:
    return tuple(shop(seed).jobs(count))
