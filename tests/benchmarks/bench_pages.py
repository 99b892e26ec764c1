"""What pages cost as closed jobs grow: ``python -m tests.benchmarks.bench_pages``.

An open job's step page and the page of its procedure (the job that is closed has followed the same procedure), every
page of figures, the month's sheet and lists of the jobs behind a figure. Situations and clock as
:mod:`tests.benchmarks.worlds` has them. Goal: under 300 ms at 100,000 closed jobs, and
flat, where tallies suffice. The whole run keeps its tables in ``tests/benchmarks/pages.md``; some sizes, or one
database, are only printed.

    python -m tests.benchmarks.bench_pages                      1,000, 10,000 and 100,000 jobs on both databases
    python -m tests.benchmarks.bench_pages --sqlite 1000 10000  other sizes, SQLite only
    --keep FOLDER                                               keeps the SQLite databases, and uses those it finds
"""

from __future__ import annotations

from datetime import date
from typing import Any
from urllib.parse import urlencode

from tests.benchmarks import worlds
from tests.benchmarks.worlds import Figures

FAN, STARTER = "overheats-fan-silent", "starter-does-not-turn"
LISTS: dict[str, dict[str, str]] = {
    "procedure": {"procedure": FAN, "since": ""},
    "answered": {"procedure": FAN, "step": "arrival", "outcome": "done:"},
    "judged": {"procedure": STARTER, "step": "click", "outcome": "relay", "fate": "proven", "judged": "1", "since": ""},
    "timed": {"procedure": FAN, "fate": "proven", "timed": "1"},
    "revision": {"procedure": STARTER, "revision": "1", "fate": "wrong", "since": ""},
    "wrong": {"procedure": FAN, "at": "leak-place", "fate": "wrong"},
    "period": {},
}
"""Of each kind of list behind a figure one that was dear: of a year, or of all jobs where ``since`` is empty."""


def measured() -> Figures:
    """Milliseconds and queries of each page by situation, in a process whose settings lead to the database."""
    client = worlds.prepared()
    from django.urls import reverse
    from django.utils import timezone

    from shopkb.jobs.models import Run
    from shopkb.reports.pages.registry import PAGES

    run = next(run for run in Run.objects.filter(job__closed_at__isnull=True).order_by("pk") if _step_of(run))
    procedure = run.revision.procedure.key
    mine, any_job = worlds.close_again(procedure), worlds.close_again()
    today = timezone.localdate()
    month = f"{today:%Y-%m}"
    pages = {
        "step page": (reverse("jobs:step", args=[run.pk, _step_of(run)]), mine),
        "procedure page": (reverse("procedures:procedure", args=[procedure]), mine),
        **{name: (reverse("reports:page", args=[name]), any_job) for name in PAGES},
        "month": (reverse("reports:month", args=[month]), any_job),
        **{f"list: {name}": (_list_of(today, **asked), any_job) for name, asked in LISTS.items()},
    }
    return worlds.measured(client, pages)


def _list_of(today: date, **asked: str) -> str:
    from django.urls import reverse

    year_ago = f"{today.year - 1}-{today.month:02d}"
    return f"{reverse('jobs:list')}?{urlencode({'state': 'closed', 'since': year_ago, **asked})}"


def _step_of(run: Any) -> str:
    from shopkb.jobs.models import Result
    from shopkb.jobs.run_results import walk_of
    from shopkb.procedures.storing import flow_of

    rows = sorted(Result.objects.not_retracted().filter(run=run), key=lambda row: row.pk)
    return str(walk_of(flow_of(run.revision), rows).current or "")


if __name__ == "__main__":
    worlds.run("tests.benchmarks.bench_pages", __doc__ or "", measured)
