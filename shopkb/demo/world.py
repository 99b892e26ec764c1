"""The invented world, made stage by stage: catalog, people, procedures, closed jobs, open jobs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.catalog.loading import load_folder
from shopkb.catalog.models import Access, Caution
from shopkb.core.flow.model import Flow
from shopkb.demo.models import DemoMark
from shopkb.demo.nature import Nature
from shopkb.demo.open_work import OpenWork
from shopkb.demo.people import make_people, read_people
from shopkb.demo.simulator import Shop
from shopkb.demo.truth import Truth, misfits, read_truth
from shopkb.jobs.history import StoredHistory, store_history
from shopkb.procedures.exchange import check_files, flow_files, store
from shopkb.procedures.models import Revision
from shopkb.procedures.publishing import NotPossible
from shopkb.procedures.storing import flow_of

MONTH = timedelta(days=30.44)
PUBLISHED_BEFORE = timedelta(days=30)
"""How long before the first job the procedures were put in force."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to make: ``jobs`` closed ones up to ``now``, drawn with ``seed``, from the files of ``root``."""

    root: Path
    now: datetime
    seed: int
    jobs: int

    @property
    def truth(self) -> Truth:
        return read_truth(self.root / "fixtures" / "truth.yaml")


class WorldError(Exception):
    """The files of the demo do not fit together."""


def build(plan: Plan) -> Iterator[str]:
    """Make the world in an empty, migrated database; yields a line for each stage done.

    The mark is put first and filled in last: a database whose mark has no jobs yet was not finished.

    Raises:
        WorldError: a file of fixtures or flows is faulty.
    """
    truth = plan.truth
    since = plan.now - truth.shop.months * MONTH
    mark = DemoMark.objects.create(made_at=plan.now, seed=plan.seed, jobs=0)
    yield _load_catalog(plan.root / "fixtures")
    people = make_people(read_people(plan.root / "fixtures" / "people.yaml"))
    yield f"{len(people)} people."
    yield _publish(plan.root / "flows", people, since - PUBLISHED_BEFORE)
    flows = flows_in_force()
    problems = list(misfits(truth, flows))
    if problems:
        raise WorldError("fixtures/truth.yaml does not fit the procedures. " + " ".join(problems))
    rng = np.random.default_rng(plan.seed)
    stored = StoredHistory()
    shop = Shop(truth, flows, rng, since, plan.now, access_minutes(), dangers())
    for stored in store_history((made.past for made in shop.jobs(plan.jobs)), by=_with_role(people, Role.KEEPER)[0]):
        yield f"{stored.jobs} closed jobs, {stored.results} results."
    yield _open_jobs(truth, shop.natures, people, rng, plan.now)
    mark.jobs = stored.jobs
    mark.save(update_fields=["jobs"])


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


def _load_catalog(folder: Path) -> str:
    loaded = load_folder(folder)
    if loaded.faults:
        raise WorldError(" ".join(fault.text() for fault in loaded.faults))
    counts = {file.removesuffix(".yaml"): count.added for file, count in loaded.counts.items()}
    return "Catalog: " + ", ".join(f"{count} {name}" for name, count in counts.items()) + "."


def _with_role(people: Mapping[str, User], role: Role) -> list[User]:
    found = [person for person in people.values() if person.role == role]
    if not found:
        raise WorldError(f"fixtures/people.yaml names nobody with the role {role.value}.")
    return found


@transaction.atomic
def _publish(folder: Path, people: Mapping[str, User], at: datetime) -> str:
    """The first writer wrote them, the second reviewed and put them in force."""
    writers = _with_role(people, Role.WRITER)
    files = check_files(flow_files([folder]))
    faulty = [finding.text(file.path.name) for file in files for finding in file.errors or ()]
    faulty += [f"{file.path.name} cannot be read." for file in files if file.flow is None]
    if faulty:
        raise WorldError(" ".join(faulty))
    try:
        stored = store(files, by=writers[0], at=at, why="First edition.", publish_by=writers[-1])
    except NotPossible as error:
        raise WorldError(str(error)) from error
    return f"{len(stored)} procedures in force: {', '.join(row.key for row in stored)}."


def _open_jobs(
    truth: Truth, natures: Mapping[str, Nature], people: Mapping[str, User], rng: np.random.Generator, now: datetime
) -> str:
    work = OpenWork(truth, natures, people, rng, now)
    for said in truth.open_jobs:
        work.make(said)
    return f"{len(truth.open_jobs)} open jobs."
