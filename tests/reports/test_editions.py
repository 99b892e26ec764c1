"""A new revision beside the one before it: worked by hand, and what the page opens."""

from __future__ import annotations

import csv
import html
import io
import re
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import User
from shopkb.jobs.actions import closing
from shopkb.jobs.job_facts import AnswerFact, JobFact, RepairFact
from shopkb.jobs.models import Job, Verification
from shopkb.procedures.models import Procedure
from shopkb.reports.figures.new_revisions import edition_figures, quicker
from shopkb.reports.figures.shares import Share
from shopkb.reports.presenting.plots import PlotPoint, trend
from tests.builders import (
    HORN_TEXT,
    TO_RELAY,
    cured_job,
    follow,
    get,
    mend,
    put_in_force,
    signed_in,
    start,
    take_in,
    words_of,
)
from tests.conftest import NOW
from tests.kept_rows import put_back

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
PERIOD = {"since": "2026-01", "until": "2026-06"}


def fact(number: int, revision: int, minutes: int | None, cured: str = "cured", *, back: bool = False) -> JobFact:
    """A job of two answers, the first after a minute; the repair cured it or did not."""
    given = [
        AnswerFact(
            "horn", step, "right", "", seconds, off_path=False, overridden=False, who="dorcas", revision=revision
        )
        for step, seconds in (("press", 60), ("supply", None if minutes is None else minutes * 60 - 60))
    ]
    repair = RepairFact(number, "body/horn/horn#open circuit", "measured", "dorcas", cured)
    how = "cured" if cured == "cured" else "unsolved"
    later = NOON + timedelta(days=9) if back else None
    return JobFact(
        number, "curlew", "horn-silent", how, NOON, NOON, "dorcas", ("horn",), (repair,), (), later, tuple(given)
    )


def test_figures_of_a_revision_by_hand() -> None:
    """Five jobs followed revision 1. Cures that held took 20 and 30 min and once an unknown time, hence 25 min on two;
    one cure came back, of four claimed; with the repair in vain that is two of five repaired jobs."""
    jobs = [fact(1, 1, 20), fact(2, 1, 30), fact(3, 1, None), fact(4, 1, 40, back=True), fact(5, 1, 9, "not-cured")]
    found = edition_figures([*jobs, fact(6, 2, 99)], "horn", 1)
    assert found.jobs == 5
    assert found.minutes is not None and (found.minutes.value, found.minutes.n) == (pytest.approx(25), 2)
    assert (found.in_vain, found.back) == (Share(2, 5), Share(1, 4))
    assert edition_figures(jobs, "lamp", 1).jobs == 0


def test_too_few_say_nothing_of_quicker() -> None:
    few = edition_figures([fact(number, 1, 20) for number in range(4)], "horn", 1)
    many = edition_figures([fact(number, 2, 20 + number % 3) for number in range(9)], "horn", 2)
    assert quicker(few, many) is None
    moved = quicker(many, many)
    assert moved is not None and (moved.minutes, moved.words) == (0, "no clear change")


def test_a_mark_stands_above_its_month() -> None:
    """Two of three months are drawn; the mark is the line at the third, 52 + 652 * 5/6 from the left."""
    drawn = trend(
        [PlotPoint("Jan", 3.0), PlotPoint("Feb", None), PlotPoint("Mar", 4.0)],
        "Minutes",
        "min",
        marks={2: "revision 2"},
    )
    assert '<line class="since" x1="595.3"' in drawn and ">revision 2</text>" in drawn
    assert "since" not in trend([PlotPoint("Jan", 3.0)], "Minutes", "min")


def improve(by: User, second: User) -> None:
    put_in_force(HORN_TEXT.replace("Press the button three times", "Press it four times"), by, second)


@pytest.fixture
def improved(horn: Procedure, senior: User, second: User) -> Procedure:
    """Revision 2 in force."""
    put_back("improved", lambda: improve(senior, second), {"senior": senior.pk, "second": second.pk})
    return horn


def jobs_before(horn: Procedure, by: User) -> None:
    """Seven: six cured, of which one came back, and one repaired in vain."""
    jobs = [cured_job(horn, by) for _ in range(6)]
    in_vain = take_in(by)
    result = follow(start(in_vain, horn, by), TO_RELAY, by)[-1]
    mend(in_vain, by, result=result, cause=("body/horn/relay", "burnt contacts"), cured=Verification.Cured.NO)
    closing.close_job(in_vain, Job.Disposition.UNSOLVED, by=by, at=NOW)
    take_in(by, comeback_of=jobs[0])


def test_the_page_tells_what_a_new_revision_changed(
    horn: Procedure, junior: User, senior: User, second: User, manager: User
) -> None:
    """The new one above the one before; each figure opens its jobs."""
    jobs_before(horn, junior)
    improve(senior, second)
    for _ in range(6):
        cured_job(horn, junior)
    client = signed_in(manager)
    taken = client.get("/figures/minutes/", {**PERIOD, "table": "new-revisions"}).content.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(taken)))
    told = [
        [row[name] for name in ("Jobs (jobs)", "Repairs that did not fix it, counted", "Came back, counted")]
        for row in rows
    ]
    assert told == [["6", "0", "0"], ["7", "2", "1"]]
    page = html.unescape(get(client, "/figures/minutes/", **PERIOD)[0].content.decode())
    links = re.findall(r'href="(/jobs/[^"]*revision=[^"]*)"', page)
    counts = [client.get(link).context["page"].paginator.count for link in links]
    assert counts == [6, 6, 0, 0, 7, 5, 2, 1], links
    assert "that followed horn silent in revision 1" in words_of(client.get(links[4]))


def test_what_is_kept_of_a_year_follows_its_jobs(
    horn: Procedure, junior: User, senior: User, second: User, manager: User
) -> None:
    """Asked again nothing is read; a job closed since, and a comeback of a job of the year before, are both seen."""
    jobs_before(horn, junior)
    improve(senior, second)
    client = signed_in(manager)

    def told() -> list[list[str]]:
        taken = client.get("/figures/minutes/", {**PERIOD, "table": "new-revisions"}).content.decode("utf-8-sig")
        names = ("Jobs (jobs)", "Came back, counted")
        return [[row[name] for name in names] for row in csv.DictReader(io.StringIO(taken))]

    assert told() == [["0", "0"], ["7", "1"]]
    with CaptureQueriesContext(connection) as queries:
        told()
    assert not [one for one in queries if '"procedures_procedure"."key" = \'horn-silent\'' in one["sql"]]
    cured_job(horn, junior)
    take_in(junior, comeback_of=Job.objects.closed().filter(comebacks__isnull=True, disposition="cured").earliest("pk"))
    assert told() == [["1", "0"], ["7", "2"]]


def test_only_the_months_of_that_procedure_bear_its_mark(improved: Procedure, manager: User) -> None:
    client = signed_in(manager)
    assert 'class="since"' not in get(client, "/figures/minutes/", **PERIOD)[0].content.decode()
    page, _queries = get(client, "/figures/minutes/", procedure=improved.key, **PERIOD)
    assert "revision 2 came into force" in words_of(page)


def test_for_two_years_it_is_told_wherever_the_period_begins(improved: Procedure, manager: User) -> None:
    client = signed_in(manager)
    late, _queries = get(client, "/figures/minutes/", since="2027-03", until="2028-02")
    assert "Horn stays silent, revision 2" in words_of(late)
    later, _queries = get(client, "/figures/minutes/", since="2027-04", until="2028-03")
    assert "No procedure was given a new revision" in words_of(later)


def test_its_own_page_leads_there(improved: Procedure, manager: User, junior: User) -> None:
    told = "What a new revision changed"
    assert told in words_of(signed_in(manager).get(f"/procedures/{improved.key}/"))
    assert told not in words_of(signed_in(junior).get(f"/procedures/{improved.key}/"))
