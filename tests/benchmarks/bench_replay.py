"""What replaying a procedure's closed jobs costs, rows to page: ``python -m tests.benchmarks.bench_replay``.

A demo world is made in a throwaway folder, and the jobs of its busiest procedure are copied until there are as many as
asked for, all of that one procedure: the worst case. Milliseconds of processor time, least of several, so that another
load on the computer says little; ``whole`` is reading the same jobs as learning does, for comparison. Goal: the page
under 2 s at 10,000 closed jobs.

    python -m tests.benchmarks.bench_replay [JOBS ...]
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
SIZES = (1_000, 10_000)
WORLD = 400
TIMES = 3
APART = 1_000_000
"""Between the numbers of a row and of its copy."""


def milliseconds(act: Callable[[], object]) -> float:
    taken = []
    for _ in range(TIMES):
        begun = time.process_time()
        act()
        taken.append((time.process_time() - begun) * 1000)
    return min(taken)


def answered(response: Any) -> None:
    if response.status_code != 200:
        raise SystemExit(f"The page answered {response.status_code}.")


def copied(model: Any, rows: Sequence[Any], offset: int, names: Sequence[str]) -> None:
    """The rows once more, their own keys and those of what they belong to moved by ``offset``."""
    for row in rows:
        row.pk += offset
        for name in names:
            if getattr(row, name) is not None:
                setattr(row, name, getattr(row, name) + offset)
        if hasattr(row, "client_id"):
            row.client_id = uuid.uuid4()
    model.objects.bulk_create(rows, batch_size=500)


def multiply(procedure: Any, jobs: int) -> None:
    """Copy the procedure's closed jobs until there are so many."""
    from shopkb.jobs.models import Job, Repair, Result, Run, Verification

    there = Job.objects.closed().filter(runs__revision__procedure=procedure).distinct()
    chosen = list(there.filter(pk__lt=APART).values_list("pk", flat=True))
    offset = there.order_by("-pk").values_list("pk", flat=True)[0] // APART * APART
    while (have := there.count()) < jobs:
        offset += APART
        some = chosen[: jobs - have]
        runs = list(Run.objects.filter(job__in=some, revision__procedure=procedure))
        results = list(Result.objects.filter(run__in=[run.pk for run in runs]))
        repairs = list(Repair.objects.filter(job__in=some))
        verifications = list(Verification.objects.filter(repair__in=[row.pk for row in repairs]))
        for row in (*results, *repairs):
            setattr(row, "replaces_id" if isinstance(row, Result) else "result_id", None)
        for run in runs:
            run.came_from_id = None
        originals = list(Job.objects.filter(pk__in=some))
        for job in originals:
            job.comeback_of_id = None
        copied(Job, originals, offset, ())
        copied(Run, runs, offset, ("job_id",))
        copied(Result, results, offset, ("run_id",))
        copied(Repair, repairs, offset, ("job_id",))
        copied(Verification, verifications, offset, ("repair_id",))


def measured(sizes: Sequence[int]) -> None:
    import django

    django.setup()
    from django.conf import settings
    from django.db.models import Count
    from django.test import Client
    from django.urls import reverse
    from django.utils import timezone

    from shopkb.accounts.models import User
    from shopkb.jobs.closed_jobs import cases_of_procedure, closed_cases
    from shopkb.jobs.models import Job
    from shopkb.procedures import publishing
    from shopkb.procedures.models import Procedure, Revision

    settings.ALLOWED_HOSTS = ["testserver"]
    writer = User.objects.filter(role="writer").earliest("pk")
    client = Client()
    client.force_login(writer)
    procedure = Procedure.objects.annotate(jobs=Count("revisions__runs__job", distinct=True)).latest("jobs")
    waiting = procedure.revisions.filter(state=Revision.State.DRAFT).first()
    draft = waiting or publishing.draft_from(procedure.revisions.get(state="published"), by=writer, at=timezone.now())
    address = reverse("reports:replay", args=[procedure.key, draft.number])
    print("| closed jobs | page | lean | whole | whole / lean |\n| ---: | ---: | ---: | ---: | ---: |")
    for jobs in sizes:
        multiply(procedure, jobs)
        followed = Job.objects.filter(runs__revision__procedure=procedure).distinct()
        page = milliseconds(lambda: answered(client.get(address)))
        lean = milliseconds(lambda: cases_of_procedure(procedure))
        whole = milliseconds(lambda: list(closed_cases(followed)))  # noqa: B023 - called at once
        count = len(cases_of_procedure(procedure))
        print(f"| {count:,} | {page:.0f} | {lean:.0f} | {whole:.0f} | {whole / lean:.1f} |", flush=True)


def main() -> None:
    sizes = tuple(int(one) for one in sys.argv[1:] if one.isdigit()) or SIZES
    if "--inside" in sys.argv:
        measured(sizes)
        return
    with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as folder:
        place = {
            **os.environ,
            "SHOPKB_DATA_DIR": folder,
            "SHOPKB_WORLD": "demo",
            "DJANGO_SETTINGS_MODULE": "shopkb.settings",
        }
        place.pop("DATABASE_URL", None)
        made = [sys.executable, str(ROOT / "manage.py"), "demo", "--no-serve", "--jobs", str(WORLD)]
        subprocess.run(made, env=place, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
        asked = [sys.executable, "-m", "tests.benchmarks.bench_replay", "--inside", *map(str, sizes)]
        subprocess.run(asked, env=place, cwd=ROOT, check=True)


if __name__ == "__main__":
    main()
