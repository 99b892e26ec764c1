"""Pages of figures: who may see them, what they cost, that figures open the jobs behind them, and the files."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from datetime import timedelta

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.test import RequestFactory

from shopkb.accounts.models import User
from shopkb.catalog.models import Symptom
from shopkb.evidence.cache import clear_all
from shopkb.jobs.actions import closing, following
from shopkb.jobs.models import Job, Verification
from shopkb.jobs.views.job_filters import JobFilters
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures.answers import deviations
from shopkb.reports.gathering import job_rows
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.job_rows import once
from shopkb.reports.pages import registry
from shopkb.reports.pages.report_data import ReportData
from tests.builders import (
    TO_GROUND,
    TO_HORN,
    TO_OUT,
    TO_RELAY,
    cured_job,
    follow,
    get,
    mend,
    say,
    signed_in,
    start,
    take_in,
    words_of,
)
from tests.conftest import NOW

PERIOD = {"since": "2026-01", "until": "2026-06"}
FRESH = {
    "changes": 25, "tests": 17, "minutes": 18, "comebacks": 17, "causes": 13, "shelf": 32, "honesty": 7, "people": 11,
}  # fmt: skip
"""Queries of a page of which nothing is remembered but the revisions, signing in and the filters' choices included.
Each reading of tallies that is built upon later is followed by asking whether they are still the same."""
REMEMBERED = {
    "changes": 13, "tests": 11, "minutes": 10, "comebacks": 11, "causes": 9, "shelf": 20, "honesty": 7, "people": 7,
}  # fmt: skip
"""The same page asked for again."""


@pytest.fixture
def closed(horn: Procedure, junior: User) -> list[Job]:
    """Six jobs: three ended at the horn, one at the relay, one at the ground, one repaired the relay in vain."""
    jobs = [cured_job(horn, junior) for _ in range(3)]
    jobs += [cured_job(horn, junior, TO_RELAY), cured_job(horn, junior, TO_GROUND)]
    job = take_in(junior)
    results = follow(start(job, horn, junior), TO_RELAY, junior)
    mend(job, junior, result=results[-1], cause=("body/horn/relay", "burnt contacts"), cured=Verification.Cured.NO)
    mend(job, junior, cause=("body/horn/earth", "high resistance"))
    return [*jobs, closing.close_job(job, Job.Disposition.CURED, by=junior, at=NOW)]


def forget() -> None:
    """Nothing kept but the flows in force, which are read once for each revision."""
    clear_all()
    for revision in Revision.objects.filter(state=Revision.State.PUBLISHED):
        flow_of(revision)


def test_every_page_stays_within_its_queries(closed: list[Job], manager: User) -> None:
    client = signed_in(manager)
    get(client, "/figures/tests/", **PERIOD)
    fresh, remembered = {}, {}
    for name in registry.PAGES:
        forget()
        fresh[name] = get(client, f"/figures/{name}/", **PERIOD)[1]
        remembered[name] = get(client, f"/figures/{name}/", **PERIOD)[1]
    assert fresh == FRESH
    assert remembered == REMEMBERED


def test_more_jobs_cost_no_more_queries(closed: list[Job], horn: Procedure, manager: User, junior: User) -> None:
    """From nothing remembered, with 6 jobs and with 9; and no more than that right after a closing."""
    client = signed_in(manager)

    def asked() -> dict[str, int]:
        found = {}
        for name in registry.PAGES:
            forget()
            found[name] = get(client, f"/figures/{name}/", **PERIOD)[1]
        return found

    asked()
    before = asked()
    for _ in range(3):
        cured_job(horn, junior)
    after_closing = {name: get(client, f"/figures/{name}/", **PERIOD)[1] for name in registry.PAGES}
    assert all(after_closing[name] <= before[name] for name in before)
    assert asked() == before


def test_what_is_kept_of_jobs_follows_a_closing(closed: list[Job], horn: Procedure, junior: User) -> None:
    """The same value as long as no job was closed; then that of the jobs as they are, as if nothing had been kept."""
    filters = Filters(**PERIOD, procedure="horn-silent")
    first, again = ReportData(filters), ReportData(filters)
    assert again.procedures is first.procedures
    assert once(deviations, again.facts.jobs) is once(deviations, first.facts.jobs)
    cured_job(horn, junior)
    later = ReportData(filters)
    (before,), (after,) = first.procedures, later.procedures
    assert (before.proven.whole, after.proven.whole) == (6, 7)
    counted = [once(deviations, one.facts.jobs)["horn-silent"].answers for one in (first, later)]
    assert counted[1] - counted[0] == len(TO_HORN)
    forget()
    assert ReportData(filters).procedures == later.procedures


@pytest.mark.parametrize(("role", "status"), [("technician", 403), ("writer", 403), ("manager", 200), ("keeper", 200)])
def test_figures_are_for_those_with_the_right(horn: Procedure, second: User, role: str, status: int) -> None:
    second.role = role
    second.save()
    client = signed_in(second)
    addresses = ["/figures/", "/figures/people/", "/figures/tests/?table=tests", "/figures/people/senior/"]
    addresses += ["/figures/month/2026-03/"]
    assert {client.get(address).status_code for address in addresses} == {status}
    assert client.get("/figures/people/second/").status_code == 200


def test_nobody_signed_in_sees_nothing(horn: Procedure, client: object) -> None:
    assert client.get("/figures/")["Location"].startswith("/sign-in/")  # type: ignore[attr-defined]


def test_a_technician_finds_only_the_own_page(closed: list[Job], junior: User) -> None:
    response, _queries = get(signed_in(junior), "/figures/people/junior/", **PERIOD)
    text = words_of(response)
    assert "Cures that held" in text and 'aria-label="Figures"' not in response.content.decode()
    assert "What you did on jobs that were closed in this time." in text
    assert not re.search(r"bits|intervals|Branches held|order of merit", text), "words of statisticians"
    assert "Voltage at the connector" in text and "Resistance of the coil" not in text, "nobody has measured that"


def test_figures_open_the_jobs_behind_them(closed: list[Job], manager: User) -> None:
    """supply was answered on all six jobs, found the relay on one, and was wrong on one."""
    client = signed_in(manager)
    page = get(client, "/figures/tests/", **PERIOD)[0].content.decode()
    links = {html.unescape(link) for link in re.findall(r'href="(/jobs/\?[^"]*)"', page)}
    wanted = {
        "step=supply": 6,
        "at=supply&fate=proven": 1,
        "at=supply&fate=wrong": 1,
        "at=direct&fate=proven": 3,
    }
    for part, jobs in wanted.items():
        link = min((link for link in links if part in link), key=len)  # longer ones ask for more than this part
        found = client.get(link)
        assert found.context["page"].paginator.count == jobs, link


def test_branches_held_opens_the_jobs_that_can_be_judged(
    closed: list[Job], horn: Procedure, manager: User, junior: User
) -> None:
    """A seventh job was handed over at the first step, and its cause is none of this procedure's: whether handing over
    was right, nobody can say. Where the same branch ended at a cause of this procedure, it was wrong."""
    for cause in (("body/horn/button", "open circuit"), ("body/horn/relay", "burnt contacts")):
        job = take_in(junior)
        follow(start(job, horn, junior), (("press", "silent", ""),), junior)
        mend(job, junior, cause=cause)
        closing.close_job(job, Job.Disposition.CURED, by=junior, at=NOW)
    client = signed_in(manager)
    page = get(client, "/figures/tests/", **PERIOD)[0].content.decode()
    press = [html.unescape(link) for link in re.findall(r'href="(/jobs/[^"]*step=press[^"]*)"', page)]
    link = next(link for link in press if "judged=1" in link)
    found, queries = get(client, link)
    told = get(client, "/figures/tests/", table="tests", **PERIOD)[0].content.decode("utf-8-sig")
    held = {row["Step"]: row for row in csv.DictReader(io.StringIO(told))}["Press the button and listen"]
    assert (held["Branches held, counted"], held["Branches held, of jobs with a proven cause"]) == ("6", "7")
    assert found.context["page"].paginator.count == 7  # type: ignore[attr-defined]
    assert "without those whose cause only a procedure handed over to could find" in words_of(found)
    assert queries == 6


def test_a_symptom_chooses_procedures_not_jobs(closed: list[Job], manager: User) -> None:
    """Tallies do not know what a job came in with: the list behind such a figure has every job that was counted, that
    behind a median those that came in with the symptom."""
    Job.objects.exclude(pk=closed[0].pk).update(symptom=Symptom.objects.get(key="horn-silent"))
    client = signed_in(manager)
    shown = get(client, "/figures/tests/", symptom="horn-silent", **PERIOD)[0]
    assert "rates count every job that followed a procedure for it" in words_of(shown)
    links = [html.unescape(link) for link in re.findall(r'href="(/jobs/[^"]*step=press[^"]*)"', shown.content.decode())]
    jobs = {"timed=" in link: client.get(link).context["page"].paginator.count for link in links}
    assert jobs == {False: 6, True: 5}


def test_the_list_has_the_answers_that_stand(horn: Procedure, manager: User, junior: User) -> None:
    """The technician went back to the first step and answered it otherwise: what came after it no longer counts, in
    the figure and in the list behind it."""
    job = take_in(junior)
    run = start(job, horn, junior)
    follow(run, [*TO_RELAY, *TO_OUT], junior)
    closing.close_job(job, Job.Disposition.UNSOLVED, by=junior, at=NOW)
    client = signed_in(manager)
    taken = client.get("/figures/tests/", {**PERIOD, "table": "tests"}).content.decode("utf-8-sig")
    rows = csv.DictReader(io.StringIO(taken))
    done = {row["Step"]: row["Times done (jobs)"] for row in rows}
    assert done["Voltage at the connector"] == "0"
    asked = {"state": "closed", "procedure": "horn-silent", "outcome": "done:"}
    lists = {step: client.get("/jobs/", {**asked, "step": step}) for step in ("press", "supply")}
    assert {step: page.context["page"].paginator.count for step, page in lists.items()} == {"press": 1, "supply": 0}


def test_a_system_narrows_what_comes_back_to_its_causes(
    closed: list[Job], horn: Procedure, manager: User, junior: User
) -> None:
    """One cure of the horn and one of the ground came back; each is seen in its own system, and in the one above."""
    for job in (closed[0], closed[4]):
        take_in(junior, comeback_of=job)
    client = signed_in(manager)

    def back(system: str) -> list[tuple[str, str]]:
        taken = client.get("/figures/comebacks/", {**PERIOD, "table": "each-comeback", "system": system})
        rows = csv.DictReader(io.StringIO(taken.content.decode("utf-8-sig")))
        return [(row["Job"], row["Cause that was claimed"].partition(":")[0]) for row in rows]

    horn_back, ground_back = (str(closed[0].pk), "Horn"), (str(closed[4].pk), "Earth")
    assert sorted(back("body/horn")) == sorted([horn_back, ground_back])
    assert back("body/horn/earth") == [ground_back]
    page = html.unescape(get(client, "/figures/comebacks/", system="body/horn/earth", **PERIOD)[0].content.decode())
    lists = [client.get(link) for link in re.findall(r'href="(/jobs/[^"]*fate=back[^"]*)"', page)]
    assert lists and {each.context["page"].paginator.count for each in lists} == {1}


def test_what_departs_and_what_is_young_opens_its_jobs(
    closed: list[Job], horn: Procedure, manager: User, junior: User
) -> None:
    """One answer of the seven jobs left a step out; six cures are claimed, and the one that came back is not young."""
    job = take_in(junior)
    run = start(job, horn, junior)
    following.record(run, say(run, "press", skipped="no-time", onward="click"), by=junior, at=NOW)
    closing.close_job(job, Job.Disposition.UNSOLVED, by=junior, at=NOW)
    client = signed_in(manager)
    shelf = get(client, "/figures/shelf/", **PERIOD)[0].content.decode()
    left_out = next(html.unescape(at) for at in re.findall(r'href="(/jobs/[^"]*)"', shelf) if "departed=skipped" in at)
    assert client.get(left_out).context["page"].paginator.count == 1
    assert "with a step left out" in words_of(client.get(left_out))
    late = client.get("/jobs/", {"state": "closed", "after": NOW.isoformat(), "fate": "proven"})
    later = client.get("/jobs/", {"state": "closed", "after": (NOW + timedelta(hours=1)).isoformat()})
    odd = client.get("/jobs/", {"state": "closed", "after": "2026-02-31T00:00:00+00:00"})
    assert [page.context["page"].paginator.count for page in (late, later, odd)] == [6, 0, 7]


@pytest.mark.parametrize("name", list(registry.PAGES))
def test_every_link_of_a_page_leads_somewhere(closed: list[Job], manager: User, name: str) -> None:
    client = signed_in(manager)
    page = get(client, f"/figures/{name}/", **PERIOD)[0].content.decode()
    links = {html.unescape(link) for link in re.findall(r'href="(/(?:jobs|procedures|figures)[^"]*)"', page)}
    assert links
    assert {link: client.get(link).status_code for link in links if client.get(link).status_code != 200} == {}


def test_no_style_stands_in_a_page(closed: list[Job], manager: User) -> None:
    client = signed_in(manager)
    for name in registry.PAGES:
        assert " style=" not in get(client, f"/figures/{name}/", **PERIOD)[0].content.decode()


def test_paper_says_the_period_and_what_was_chosen(closed: list[Job], manager: User) -> None:
    """The form with the filters is not printed."""
    page = words_of(get(signed_in(manager), "/figures/tests/", procedure="horn-silent", person="junior", **PERIOD)[0])
    assert "January 2026 to June 2026. Procedure: Horn stays silent. Person: Junior." in page.replace("\xa0", " ")


def test_a_table_is_taken_away(closed: list[Job], manager: User) -> None:
    response, _queries = get(signed_in(manager), "/figures/tests/", table="tests", **PERIOD)
    assert response["Content-Type"] == "text/csv; charset=utf-8; header=present"
    assert response["Content-Disposition"] == 'attachment; filename="tests-2026-01-2026-06.csv"'
    rows = list(csv.DictReader(io.StringIO(response.content.decode("utf-8-sig"))))
    supply = next(row for row in rows if row["Step"] == "Voltage at the connector")
    assert (supply["Times done (jobs)"], supply["Found the fault, counted"]) == ("6", "1")
    assert supply["Led away from it, counted"] == "1"


def test_a_month_that_is_none_is_said(horn: Procedure, manager: User) -> None:
    response, _queries = get(signed_in(manager), "/figures/tests/", since="2026-13")
    assert response.status_code == 400
    assert "A month is written as in 2026-03; got '2026-13'." in words_of(response)


def test_a_period_runs_forward(horn: Procedure, manager: User) -> None:
    response, _queries = get(signed_in(manager), "/figures/minutes/", since="2026-05", until="2026-02")
    assert "The period ends in 2026-02, before it begins in 2026-05. Turn the two round." in words_of(response)


@pytest.mark.parametrize(
    ("name", "odd", "said"),
    [
        ("platform", "//elsewhere/", "A vehicle is a path of the tree"),
        ("system", "Body/../x", "A system is a path of the tree"),
        ("since", "0000-05", "A month is written as in 2026-03"),
    ],
)
def test_what_no_list_offers_is_refused_in_words(manager: User, name: str, odd: str, said: str) -> None:
    response = signed_in(manager).get("/figures/", {name: odd})
    assert (response.status_code, said in words_of(response)) == (400, True)


def test_the_command_says_what_the_page_says(closed: list[Job], capsys: pytest.CaptureFixture[str]) -> None:
    call_command("report", "tests", "--json", since="2026-01", until="2026-06")
    told = json.loads(capsys.readouterr().out)
    supply = next(row for row in told["tables"][0]["rows"] if row["step"] == "Voltage at the connector")
    assert (supply["done"], supply["found"]["counted"], supply["led_away"]["counted"]) == (6, 1, 1)
    with pytest.raises(CommandError, match=r"^The page tests has no table called 'x'\. It has: tests\.$"):
        call_command("report", "tests", "--csv", table="x")


def test_a_person_counts_as_the_tallies_do(closed: list[Job], manager: User) -> None:
    """One technician did everything, so the filter by that person changes no count."""
    client = signed_in(manager)

    def counts(**who: str) -> list[tuple[str, str, str, str]]:
        response = client.get("/figures/tests/", {**PERIOD, **who, "table": "tests"})
        rows = csv.DictReader(io.StringIO(response.content.decode("utf-8-sig")))
        names = ("Step", "Times done (jobs)", "Found the fault, counted", "Led away from it, counted")
        return sorted(tuple(row[name] for name in names) for row in rows)  # type: ignore[misc]

    assert counts() == counts(person="junior")


def test_only_the_latest_jobs_are_read_row_by_row(
    closed: list[Job], manager: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_rows, "LATEST_JOBS", 4)
    response, _queries = get(signed_in(manager), "/figures/causes/", **PERIOD)
    assert "Rests on the latest 4 of the 6 jobs closed in this period." in words_of(response)
    page = html.unescape(response.content.decode())
    opened = [signed_in(manager).get(link) for link in re.findall(r'href="(/jobs/[^"]*fate=proven[^"]*)"', page)]
    assert opened and all("after=" in link for link in re.findall(r'href="(/jobs/[^"]*fate=proven[^"]*)"', page))
    assert all(1 <= each.context["page"].paginator.count <= 6 for each in opened)


def test_a_median_of_the_latest_jobs_says_so_where_it_stands(
    closed: list[Job], manager: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the page below the heading of just that column, on the month's sheet as well, and in the file."""
    client = signed_in(manager)
    said = re.compile(
        r"<th[^>]*>\s*(?:<a[^>]*>)?\s*([^<]*?)\s*(?:</a>)?\s*<span class=\"under\">latest 4 of 6 jobs</span>\s*</th>"
    )
    addresses = ("/figures/tests/", "/figures/minutes/", "/figures/month/2026-03/")
    assert [said.findall(client.get(address, PERIOD).content.decode()) for address in addresses] == [[], [], []]
    monkeypatch.setattr(job_rows, "LATEST_JOBS", 4)
    found = [said.findall(client.get(address, PERIOD).content.decode()) for address in addresses]
    assert found[:2] == [["Minutes"], ["Minutes to a proven cause", "Stuck", "Declined"]]
    assert "Minutes to a proven cause" in found[2]
    taken = client.get("/figures/tests/", {**PERIOD, "table": "tests"}).content.decode("utf-8-sig")
    row = next(csv.DictReader(io.StringIO(taken)))
    assert "Minutes, latest jobs, median (min)" in row
    assert (row["Latest jobs counted (jobs)"], row["Latest jobs, of those of the period (jobs)"]) == ("4", "6")


def test_the_month_stands_on_its_sheet(closed: list[Job], manager: User) -> None:
    response, _queries = get(signed_in(manager), "/figures/month/2026-03/")
    assert "March 2026" in words_of(response)


def test_a_job_that_came_back_twice_is_one_job(horn: Procedure, manager: User, junior: User) -> None:
    closed = cured_job(horn, junior)
    for _ in range(2):
        take_in(junior, comeback_of=closed, surely=True)
    page = signed_in(manager).get("/jobs/?state=closed&fate=wrong").context["page"]
    assert [job.pk for job in page] == [closed.pk]
    assert page.paginator.count == 1


@pytest.mark.one_database
@pytest.mark.parametrize("asked", ["&revision=1", "&revision=1&timed=1", "&step=press&outcome=done:", "&at=ground"])
def test_no_list_goes_through_a_procedure_again_for_each_job(horn: Procedure, asked: str) -> None:
    """As SQLite tells its plan: the runs of a procedure, of which there are as many as jobs, are looked at once."""
    filters = JobFilters.of(RequestFactory().get(f"/jobs/?procedure=horn-silent{asked}"))
    plan = filters.apply(Job.objects.closed()).explain().splitlines()
    again = {line.split()[0] for line in plan if "CORRELATED" in line}
    runs = [line for line in plan if "jobs_run_revision" in line]
    assert runs
    assert [line for line in runs if line.split()[1] in again] == []


def test_a_list_behind_a_figure_finds_its_jobs_once(
    closed: list[Job], manager: User, django_assert_num_queries: object
) -> None:
    client = signed_in(manager)
    client.get("/jobs/")
    with django_assert_num_queries(5):  # type: ignore[operator]  # session, person, numbers, a page, platforms
        client.get("/jobs/?state=closed&procedure=horn-silent&step=press")


def test_the_month_stands_beside_the_one_before_and_the_year_before(closed: list[Job], manager: User) -> None:
    """Five of six cured at first try; the sheet of April has nothing but March beside it."""
    march = words_of(get(signed_in(manager), "/figures/month/2026-03/")[0]).replace("\xa0", " ")
    assert "Of the closed jobs March 2026 February 2026 March 2025" in march
    assert "Closed as cured and verified 100 %, 81 to 100 6 of 6" in march
    assert "Repairs that did not cure when tried 14 %" in march and "1 of 7" in march
    assert "Nothing changed this month that chance alone would not explain." in march
    april = words_of(get(signed_in(manager), "/figures/month/2026-04/")[0]).replace("\xa0", " ")
    assert "Of the closed jobs April 2026 March 2026 April 2025" in april and "6 of 6" in april


def test_the_command_prints_tables_and_the_month(closed: list[Job], capsys: pytest.CaptureFixture[str]) -> None:
    call_command("report", "tests", since="2026-01", until="2026-06")
    told = capsys.readouterr().out
    assert "Voltage at the connector" in told and "1 of 6" in told and "\x1b" not in told
    assert max(len(line) for line in told.splitlines()) <= 160
    call_command("report", "month", until="2026-03")
    month = capsys.readouterr().out.replace("\xa0", " ")
    assert month.startswith("March 2026\n") and "Of the closed jobs" in month and "6 of 6" in month
    call_command("report", "month", "--json", until="2026-03")
    tables = {table["name"]: table for table in json.loads(capsys.readouterr().out)["tables"]}
    assert [row["m0"]["counted"] for row in tables["beside"]["rows"]] == [6, 6, 1, 0]
