"""The invented world, made stage by stage: catalog, people, procedures, closed jobs, open jobs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from pathlib import Path

import numpy as np

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.catalog.loading import load_folder
from shopkb.catalog.models import Access, Caution
from shopkb.catalog.trees import LoadCount
from shopkb.core.flow.model import Flow
from shopkb.demo.editions import Shelf, WorldError, with_role
from shopkb.demo.job_import import ImportCount, import_past_jobs
from shopkb.demo.models import DemoMark
from shopkb.demo.nature import Nature
from shopkb.demo.open_work import OpenWork
from shopkb.demo.people import make_people, read_people
from shopkb.demo.simulator import ShopSimulator
from shopkb.demo.truth import Truth, misfits, read_truth
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of

MONTH = timedelta(days=30.44)
PUBLISHED_BEFORE = timedelta(days=30)
"""How long before the first job the procedures were put in force."""
DRAFTED_BEFORE = timedelta(days=3)
"""How long before now a better edition was drafted that is not in force yet."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to make: ``jobs`` closed ones up to ``now``, drawn with ``seed``, from the files of ``root``."""

    root: Path
    now: datetime
    seed: int
    jobs: int

    @property
    def truth(self) -> Truth:
        return read_truth(self.root / "fixtures" / "demo" / "truth.yaml")


def build(plan: Plan) -> Iterator[str]:
    """Make the world in an empty, migrated database; yields a line for each stage done.

    The mark is put first and filled in last: a database whose mark has no jobs yet was not finished.

    Raises:
        WorldError: a file of fixtures or flows is faulty.
    """
    truth = plan.truth
    since = plan.now - truth.shop.months * MONTH
    mark = DemoMark.objects.create(made_at=plan.now, seed=plan.seed, jobs=0)
    yield _load_catalog(plan.root)
    people = make_people(read_people(plan.root / "fixtures" / "demo" / "people.yaml"))
    yield f"{len(people)} people."
    shelf = Shelf.read(plan.root, truth, people)
    yield shelf.put_in_force(since - PUBLISHED_BEFORE)
    earlier = shelf.earlier
    flows = flows_in_force() | {key: shelf.flows[key] for key in earlier}
    problems = list(misfits(truth, flows, shelf.not_in_force))
    if problems:
        raise WorldError("fixtures/demo/truth.yaml does not fit the procedures. " + " ".join(problems))
    rng = np.random.default_rng(plan.seed)
    shop = ShopSimulator(truth, flows, rng, since, plan.now, access_minutes(), dangers(), earlier)
    for line, stored in _history(plan, shop, shelf):
        yield line
        mark.jobs = stored.jobs
    yield _open_jobs(truth, shop.natures, people, rng, plan.now)
    yield from shelf.draft(plan.now - DRAFTED_BEFORE)
    mark.save(update_fields=["jobs"])


def _history(plan: Plan, shop: ShopSimulator, shelf: Shelf) -> Iterator[tuple[str, ImportCount]]:
    """Closed jobs, and the newer editions put in force between them; a line and the sum so far for each stage."""
    by, done = with_role(shelf.people, Role.KEEPER)[0], ImportCount()
    for old, made in groupby(shop.jobs(plan.jobs), key=lambda job: shop.superseded(job.past.opened_at)):
        for key, until in [(key, until) for key, (_flow, until) in shelf.earlier.items() if key not in old]:
            if line := shelf.follow_up(key, shop.since + until * (shop.until - shop.since)):
                yield line, done
        before = done
        for stored in import_past_jobs((job.past for job in made), by=by):
            done = before + stored
            yield f"{done.jobs} closed jobs of about {plan.jobs}, {done.results} results.", done


def flows_in_force() -> dict[str, Flow]:
    """Procedures in force by key."""
    rows = Revision.objects.filter(state=Revision.State.PUBLISHED).select_related("procedure")
    return {row.procedure.key: flow_of(row) for row in rows.order_by("procedure__key")}


def access_minutes() -> dict[str, float]:
    """Minutes that each set-up state costs to reach."""
    return {key: float(minutes) for key, minutes in Access.objects.values_list("key", "minutes")}


def dangers() -> frozenset[str]:
    """Keys of the cautions that are a DANGER."""
    return frozenset(Caution.objects.filter(signal=Caution.Signal.DANGER).values_list("key", flat=True))


def load_catalog(root: Path) -> dict[str, LoadCount]:
    """The starter catalog with the demo's vehicles in place of its kinds of vehicle; what was added, by file.

    Raises:
        WorldError: a file is faulty.
    """
    starter = load_folder(root / "fixtures" / "starter", without=("platforms.yaml",))
    own = load_folder(root / "fixtures" / "demo")
    if faults := [*starter.faults, *own.faults]:
        raise WorldError(" ".join(fault.text() for fault in faults))
    return {**starter.counts, **own.counts}


def _load_catalog(root: Path) -> str:
    counts = {file.removesuffix(".yaml"): count.added for file, count in load_catalog(root).items()}
    return "Catalog: " + ", ".join(f"{count} {name}" for name, count in counts.items()) + "."


def _open_jobs(
    truth: Truth, natures: Mapping[str, Nature], people: Mapping[str, User], rng: np.random.Generator, now: datetime
) -> str:
    work = OpenWork(truth, natures, people, rng, now)
    for spec in truth.open_jobs:
        work.make(spec)
    return f"{len(truth.open_jobs)} open jobs."
