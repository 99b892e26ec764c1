"""The figures of the demo's invented jobs against pandas, which reads the bare rows and counts on its own."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd
import pytest
from django.db import connection
from django.test import RequestFactory
from scipy.special import betaln
from scipy.stats import entropy

from shopkb.accounts.models import User
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.flow_counts import branch_reach, count
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.core.diagnosis.scores.forecasting import forecasts
from shopkb.core.flow.model import Flow, GoKind
from shopkb.demo.job_import import import_past_jobs
from shopkb.demo.people import make_people, read_people
from shopkb.evidence.models import QualityRecord
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.measuring import records_of
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.jobs.run_results import effective_results
from shopkb.jobs.views.job_filters import JobFilters
from shopkb.procedures.hand_overs import behind
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures import shelf_health
from shopkb.reports.figures.shares import Mean, PooledShare, Quartiles, Share
from shopkb.reports.figures.step_figures import PERIOD
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.procedure_tallies import Evidence
from shopkb.reports.pages import registry
from shopkb.reports.presenting.tables import Cell, Table
from tests.conftest import DEMO
from tests.demo import invented

JOBS = 120
YEAR = Filters("2025-03", "2026-02")


class Rows:
    """Jobs closed in the year, their answers that stand, their repairs, their runs, and the ends of procedures."""

    def __init__(self) -> None:
        jobs = pd.DataFrame(
            Job.objects.values("id", "state", "disposition", "closed_at", "symptom__key", "closed_by__username")
        )
        back = pd.DataFrame(Job.objects.filter(comeback_of__isnull=False).values("comeback_of", "opened_at"))
        jobs["back"] = jobs.id.isin(back.comeback_of)
        jobs["month"] = jobs.closed_at.dt.tz_convert("Europe/London").dt.strftime("%Y-%m")
        self.jobs = jobs[(jobs.state == "closed") & jobs.month.between(YEAR.since, YEAR.until)].set_index("id")
        self.repairs = self._repairs()
        cured = self.repairs[self.repairs.cured == "cured"].sort_values("id").groupby("job").last()
        claimed = self.jobs.disposition == "cured"
        self.jobs["claimed"] = cured.cause.reindex(self.jobs.index).where(claimed)
        self.jobs["proof"] = cured.proof.reindex(self.jobs.index).where(claimed)
        self.jobs["mender"] = cured.who__username.reindex(self.jobs.index).where(claimed)
        self.jobs["cause"] = self.jobs.claimed.where(~self.jobs.back)
        self.answers = self._answers()
        runs = pd.DataFrame(Run.objects.values("job", "revision__procedure__key"))
        runs.columns = ["job", "procedure"]
        answered = set(zip(self.answers.job, self.answers.procedure, strict=True))
        runs = runs[[pair in answered for pair in zip(runs.job, runs.procedure, strict=True)]]
        self.runs = runs.drop_duplicates().join(self.jobs, on="job", how="inner")
        self.ends = self._ends()

    def _repairs(self) -> pd.DataFrame:
        repairs = pd.DataFrame(
            Repair.objects.values("id", "job", "proof", "who__username", "cause__component__path", "cause__mode")
        )
        verdicts = pd.DataFrame(Verification.objects.order_by("id").values("repair", "cured")).groupby("repair").last()
        repairs["cured"] = repairs.id.map(verdicts.cured)
        repairs["cause"] = repairs.cause__component__path + "#" + repairs.cause__mode.str.lower()
        return repairs[repairs.job.isin(self.jobs.index)]

    def _answers(self) -> pd.DataFrame:
        """Those that stand; which ones do is held by tests of its own."""
        whole = Run.objects.select_related("revision__procedure").prefetch_related("results__who")
        rows = [
            (run.job_id, run.revision.procedure.key, row.who.username, _counted(flow_of(run.revision), row), row)
            for run in whole
            for row in effective_results(flow_of(run.revision), list(run.results.filter(retraction__isnull=True)))
        ]
        fields = ("id", "step", "outcome", "skipped", "seconds", "off_path", "override_why")
        frame = pd.DataFrame([(*place, *(getattr(row, name) for name in fields)) for *place, row in rows])
        frame.columns = ["job", "procedure", "who", "counted", *fields]
        return frame.sort_values("id").join(self.jobs[["cause", "disposition", "back"]], on="job", how="inner")

    @staticmethod
    def _ends() -> dict[tuple[str, str, str], str]:
        flows = [flow_of(row) for row in Revision.objects.filter(state="published").select_related("procedure")]
        return {
            (flow.procedure, step.key, outcome.key): flow.cause_by_key[outcome.go.key].identity
            for flow in flows for step in flow.steps for outcome in step.outcomes if outcome.go.kind is GoKind.CAUSE
        }  # fmt: skip


def _counted(flow: Flow, row: Result) -> float:
    """Seconds in the time of the whole procedure: those taken, nothing for a step left out, else what is expected."""
    if row.seconds is not None:
        return row.seconds
    minutes = flow.step_by_key[row.step].minutes
    return 0 if row.skipped else 60 * (minutes or 5)


@pytest.fixture
def rows(catalog: None, senior: User, second: User, keeper: User) -> Rows:
    invented.put_in_force(senior, second)
    make_people(read_people(DEMO / "people.yaml"))
    stored = list(import_past_jobs((one.past for one in invented.simulated(JOBS)), by=keeper))
    assert stored[-1].jobs >= JOBS * 0.9
    if connection.vendor == "postgresql":  # in a shop the server does so by itself, within a minute
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
    return Rows()


def table(page: str, name: str, procedure: str = "", **more: str) -> Table:
    found = registry.page(page, YEAR.but(procedure=procedure), invented.NOW, **more)
    return next(table for table in found.tables if table.name == name)


def column(found: Table, key: str) -> list[Any]:
    return [row[key].value for row in found.rows]


def test_figures_of_the_demo_are_those_of_pandas(rows: Rows) -> None:
    _steps(rows)
    _minutes(rows)
    _comebacks(rows)
    _causes(rows)
    _people(rows)
    _shelf(rows)
    _brief(rows)
    _together(rows)
    _drifts(rows)
    _bits(rows)
    _standing(rows)
    _lists()
    _honesty(rows)


def _steps(rows: Rows) -> None:
    """Done, found, left out, median and quartiles of minutes of every step (pandas' quantile is R's type 7 as well)."""
    given = rows.answers[rows.answers.skipped == ""].copy()
    given["names"] = [rows.ends.get(key, "") for key in zip(given.procedure, given.step, given.outcome, strict=True)]
    latest = given.groupby(["procedure", "step", "job"]).last().reset_index()
    done = latest.groupby(["procedure", "step"]).job.nunique()
    on_way = set(Result.objects.effective().on_written_way().values_list("pk", flat=True))
    proven = latest[latest.cause.notna() & latest.id.isin(on_way)]
    found = proven[proven.names == proven.cause].groupby(["procedure", "step"]).job.nunique()
    of = proven.groupby(["procedure", "step"]).job.nunique()
    seconds = given[given.seconds.notna()].groupby(["procedure", "step"]).seconds
    quartiles = {share: seconds.quantile(share) / 60 for share in (0.25, 0.5, 0.75)}
    left_out = rows.answers[rows.answers.skipped != ""].groupby(["procedure", "step"]).job.nunique()
    flows = {
        row.procedure.key: flow_of(row)
        for row in Revision.objects.filter(state="published").select_related("procedure")
    }
    key_of = {(flow.title, step.title): (key, step.key) for key, flow in flows.items() for step in flow.steps}
    checked = 0
    for row in table("tests", "tests").rows:
        key = key_of[row["procedure"].value, row["step"].value]
        assert row["done"].value == done.get(key, 0), key
        assert row["found"].value == Share(int(found.get(key, 0)), int(of.get(key, 0))), key
        assert row["left_out"].value.part == left_out.get(key, 0), key
        if row["minutes"].value is not None:
            told = row["minutes"].value
            assert (told.low, told.median, told.high) == pytest.approx(tuple(each[key] for each in quartiles.values()))
            checked += 1
    assert checked > 30


def _minutes(rows: Rows) -> None:
    """How jobs of each procedure ended, and the mean from first to last answer, month by month."""
    titles = {
        row.procedure.key: row.title for row in Revision.objects.filter(state="published").select_related("procedure")
    }
    by = rows.runs.groupby("procedure")
    stuck = by.disposition.agg(lambda how: how.isin(["unsolved", "sent-elsewhere"]).sum())
    declined = by.disposition.agg(lambda how: (how == "declined").sum())
    told = {row["procedure"].value: row for row in table("minutes", "minutes").rows}
    for key, title in titles.items():
        jobs = int(by.size().get(key, 0))
        assert told[title]["stuck"].value == Share(int(stuck.get(key, 0)), jobs), key
        assert told[title]["declined"].value == Share(int(declined.get(key, 0)), jobs), key
    proven = rows.runs[rows.runs.cause.notna()]
    counted = proven.groupby("procedure").size()
    weak = proven[proven.proof == "elimination"].groupby("procedure").size()
    for key, title in titles.items():
        assert told[title]["proven"].value.part == counted.get(key, 0), key
        assert told[title]["eliminated"].value == Share(int(weak.get(key, 0)), int(counted.get(key, 0))), key
    times = rows.answers.groupby(["job", "procedure"]).counted.agg(["sum", "count", "size"]).reset_index()
    times = times[times["count"] == times["size"]].join(rows.jobs[["month", "cause"]], on="job")
    times = times[times.cause.notna()].groupby("month")["sum"].agg(["mean", "count"])
    for row in table("minutes", "minutes-by-month").rows:
        month = row["month"].value
        assert row["jobs"].value == (times["count"].get(month, 0))
        if row["mean"].value is not None:
            assert row["mean"].value.value == pytest.approx(times["mean"][month] / 60)


def _comebacks(rows: Rows) -> None:
    claimed = rows.jobs[rows.jobs.claimed.notna()]
    told = {
        row["name"].link or i: row["back"].value for i, row in enumerate(table("comebacks", "comebacks-by-person").rows)
    }
    people = claimed.groupby("mender").back.agg(["sum", "count"])
    assert list(told.values()) == [Share(int(row["sum"]), int(row["count"])) for _who, row in people.iterrows()]
    followed = rows.runs[rows.runs.claimed.notna()].groupby("procedure").back.agg(["sum", "count"])
    found = sorted((share.part, share.whole) for share in column(table("comebacks", "comebacks-by-procedure"), "back"))
    assert found == sorted((int(row["sum"]), int(row["count"])) for _key, row in followed.iterrows())
    assert len(table("comebacks", "each-comeback").rows) == claimed.back.sum() > 0
    judged = rows.repairs[rows.repairs.cured.isin(["cured", "not-cured"])].groupby("cause").size()
    lasting = rows.repairs.join(rows.jobs[["back", "disposition"]], on="job")
    last = lasting[lasting.cured == "cured"].groupby("job").id.transform("max")
    bad = (lasting.cured == "not-cured") | (lasting.back & (lasting.disposition == "cured") & lasting.id.isin(last))
    wrong = lasting[bad].groupby("cause").size()
    assert sorted((one.part, one.whole) for one in column(table("comebacks", "wrong-parts"), "wrong")) == sorted(
        (int(n), int(judged[cause])) for cause, n in wrong.items()
    )


def _causes(rows: Rows) -> None:
    counts = rows.jobs.cause.value_counts()
    assert column(table("causes", "causes"), "jobs") == counts.tolist()
    assert column(table("causes", "causes"), "up_to_here") == [round(100 * up) for up in counts.cumsum() / counts.sum()]
    systems = rows.jobs.cause.dropna().str.split("#").str[0].str.split("/").str[:2].str.join("/")
    assert column(table("causes", "causes", by="system"), "jobs") == systems.value_counts().tolist()


def _people(rows: Rows) -> None:
    names = dict(User.objects.values_list("called", "username"))
    closed = rows.jobs.closed_by__username.value_counts()
    answers = rows.answers.groupby("who").agg(
        answers=("id", "size"),
        skipped=("skipped", lambda x: (x != "").sum()),
        against=("override_why", lambda x: (x != "").sum()),
    )
    claimed = rows.jobs[rows.jobs.claimed.notna()].groupby("mender").back.agg(["sum", "count"])
    told = table("people", "people").rows
    assert {names[row["person"].value] for row in told} >= set(closed.index)
    for row in told:
        who = names[row["person"].value]
        gave = answers.loc[who]
        assert row["closed"].value == closed.get(who, 0)
        assert row["answers"].value == gave.answers
        assert row["skipped"].value == Share(int(gave.skipped), int(gave.answers))
        assert row["overrides"].value == Share(int(gave.against), int(gave.answers - gave.skipped))
        assert row["held"].value.part == claimed["count"].get(who, 0) - claimed["sum"].get(who, 0)


def _shelf(rows: Rows) -> None:
    """A run that was left before its first answer says nothing of the procedure."""
    used = rows.answers.groupby("procedure").job.nunique()
    keys = {
        row.title: row.procedure.key for row in Revision.objects.filter(state="published").select_related("procedure")
    }
    by = rows.answers.groupby("procedure")
    off, skipped = by.off_path.sum(), by.skipped.agg(lambda x: (x != "").sum())
    for row in table("shelf", "shelf").rows:
        key = keys[row["procedure"].value]
        assert row["jobs"].value == used.get(key, 0), key
        assert row["off_path"].value == Share(int(off.get(key, 0)), int(by.size().get(key, 0))), key
        assert row["skipped"].value.part == skipped.get(key, 0), key


def _brief(rows: Rows) -> None:
    facts = {words: figure for words, figure, _link in registry.page("changes", YEAR, invented.NOW).facts}
    jobs, claimed = len(rows.jobs), rows.jobs.claimed.notna()
    assert facts["Jobs closed"] == str(jobs)
    assert facts["With a proven cause that held"].endswith(f"{rows.jobs.cause.notna().sum()} of {jobs}")
    assert facts["Came back, of cures claimed"].endswith(f"{rows.jobs[claimed].back.sum()} of {claimed.sum()}")


def _together(rows: Rows) -> None:
    """Pairs of causes of one repair, among the jobs whose cause was proven."""
    also = pd.DataFrame(Repair.also.through.objects.values("repair", "cause__component__path", "cause__mode"))
    also["also"] = also.cause__component__path + "#" + also.cause__mode.str.lower()
    last = rows.repairs[rows.repairs.cured == "cured"].sort_values("id").groupby("job").last()
    last["proven"] = rows.jobs.cause.reindex(last.index)
    pairs = last[last.proven.notna()].merge(also, left_on="id", right_on="repair").query("also != proven")
    counted = pairs.groupby(["proven", "also"]).size()
    of = rows.jobs.cause.value_counts()
    told = sorted((row["share"].value.part, row["share"].value.whole) for row in table("causes", "found-together").rows)
    assert told == sorted((int(n), int(of[cause])) for (cause, _), n in counted.items()) and told


def _drifts(rows: Rows) -> None:
    """Every branch listed, changed or not: its shares lately and before, and the weight of evidence by scipy."""
    latest = rows.answers[rows.answers.skipped == ""].groupby(["job", "procedure", "step"]).last().reset_index()
    latest = latest[latest.cause.notna()].join(rows.jobs.month, on="job")
    recent = latest.month >= "2025-09"
    checked = 0
    for row in Revision.objects.filter(state="published").select_related("procedure"):
        flow = flow_of(row)
        mine = latest[latest.procedure == flow.procedure]
        tallies = {
            late: _as_tallies(flow.procedure, mine[recent.loc[mine.index]] if late else mine) for late in (True, False)
        }
        listed = shelf_health.drifted_branches(flow, tallies[False], tallies[True], least=-1e9)
        reach = dict(zip([(s.key, o.key) for s in flow.steps for o in s.outcomes], branch_reach(flow, {}), strict=True))
        for one in listed:
            took = mine[(mine.step == one.step) & (mine.outcome == one.outcome)]
            if reach[one.step, one.outcome].beyond:
                continue
            held = took.cause.isin(reach[one.step, one.outcome].causes)
            now = recent.loc[took.index]
            assert one.of_late == Share(int((held & now).sum()), int(now.sum()))
            assert one.before == Share(int((held & ~now).sum()), int((~now).sum()))
            parts = [(share.part + 0.5, share.whole - share.part + 0.5) for share in (one.of_late, one.before)]
            both = (sum(a for a, _ in parts) - 0.5, sum(b for _, b in parts) - 0.5)
            expected = sum(betaln(*part) for part in parts) - betaln(*both) - betaln(0.5, 0.5)
            assert one.log_bayes == pytest.approx(expected)
            checked += 1
    assert checked > 10


def _as_tallies(procedure: str, answers: pd.DataFrame) -> dict[TallyKey, TallySums]:
    counted = answers.groupby(["step", "outcome", "cause"]).size()
    return {TallyKey(procedure, *key, "", "", "0000-00"): TallySums(int(n)) for key, n in counted.items()}


def _bits(rows: Rows) -> None:
    """Telling power is what scipy says that the outcome and the repair have in common; no more jobs than pandas has."""
    row = Revision.objects.get(state="published", procedure__key="overheats-fan-silent")
    flow, filters = flow_of(row), YEAR.but(procedure="overheats-fan-silent")
    evidence = Evidence.now(filters, [flow.procedure]).steps()[flow.procedure]
    model = learn(count(flow, evidence, as_of=PERIOD, half_life=None))
    lines = table("tests", "tests", procedure=flow.procedure).rows
    told = {one["step"].link.rstrip("/").rpartition("/")[2]: one["bits"].value for one in lines}
    latest = rows.answers[rows.answers.procedure == flow.procedure].groupby(["job", "step"]).last().reset_index()
    proven = latest[latest.cause.notna() & (latest.skipped == "")].join(rows.jobs.proof, on="job")
    weight = proven.proof.map({"elimination": 0.5}).fillna(1.0)
    for test in model.tests:
        share = (model.table[test.start : test.stop] * model.prior) @ model.repair_matrix
        single = entropy(share.sum(axis=1), base=2) + entropy(share.sum(axis=0), base=2)
        common = single - entropy(share.ravel(), base=2)
        assert told[test.step] == pytest.approx(common, abs=1e-9), test.step
        for place in range(test.start, test.stop):
            took = proven[(proven.step == test.step) & (proven.outcome == model.branches[place].outcome)]
            assert model.evidence is not None
            assert model.evidence[place].sum() <= weight.loc[took.index].sum() + 1e-9
    assert len(told) == len(model.tests)


def _honesty(rows: Rows) -> None:
    """Brier scores by month, from the bare forecasts."""
    row = Revision.objects.get(state="published", procedure__key="overheats-fan-silent")
    flow = flow_of(row)
    cases = list(closed_cases(Job.objects.filter(pk__in=list(rows.jobs.index))))
    found = forecasts(flow, cases, behind=behind(flow))
    QualityRecord.objects.bulk_create(records_of(flow, cases, invented.NOW, "", found))
    frame = pd.DataFrame([
        (one.month, _brier(one.probabilities, one.truth), _brier(one.at_first, one.truth))
        for one in found
    ], columns=["month", "tool", "base"])  # fmt: skip
    means, jobs = frame.groupby("month").mean(), frame.groupby("month").size()
    told = {row["month"].value: row for row in table("honesty", "brier").rows}
    assert set(told) == set(means.index) and told
    for month, found in told.items():
        assert found["jobs"].value == jobs[month]
        assert (found["brier"].value, found["base"].value) == pytest.approx(tuple(means.loc[month]))


def _brier(said: np.ndarray, truth: int) -> float:
    return float(((said - np.eye(len(said))[truth]) ** 2).sum())


def _standing(rows: Rows) -> None:
    """The database tells which answers stand as a walk through each run does."""
    told = set(Result.objects.effective().filter(run__job__in=list(rows.jobs.index)).values_list("pk", flat=True))
    assert told == set(rows.answers.id)


def _lists() -> None:
    """The list behind a figure has as many jobs as the figure says: some links of each column of each table, of the
    whole year and narrowed in each way in which a figure and its list could part."""
    for filters, least in (
        (YEAR, 100),
        (YEAR.but(platform="curlew"), 30),
        (YEAR.but(symptom="engine-overheats", procedure="overheats-fan-silent"), 30),
        (YEAR.but(system="cooling"), 20),
    ):
        pages = {name: registry.page(name, filters, invented.NOW) for name in registry.PAGES}
        cells = [cell for page in pages.values() for found in page.tables for cell in _linked(found)]
        cells += [Cell(figure, link) for _words, figure, link in pages["changes"].facts if link.startswith("/jobs/?")]
        assert sum(_fits(cell) for cell in cells) >= least, filters


def _linked(found: Table) -> list[Cell]:
    """Three cells of each column that open a list of jobs: the first, one from the middle and the last. What changes
    says its figures in words."""
    if found.name == "changes":
        return [Cell(row["what"].value, row["minutes"].link) for row in found.rows]
    chosen: list[Cell] = []
    for key in (column.key for column in found.columns if found.name != "minutes-by-month"):  # runs, not jobs
        cells = [row[key] for row in found.rows if row[key].link.startswith("/jobs/?") and _counts(row[key])]
        chosen += [cells[place] for place in sorted({0, len(cells) // 2, len(cells) - 1}) if cells]
    return chosen


def _counts(cell: Cell) -> tuple[int, ...]:
    """The numbers of jobs that a cell says."""
    value, under = cell.value, re.search(r"on (\d+) job", cell.under or str(cell.value))
    if under:
        return (int(under[1]),)
    if isinstance(value, (Share, PooledShare)):
        return (value.part, value.whole) if value.whole else ()
    if isinstance(value, (Quartiles, Mean)):
        return (value.n,) if value.n >= 5 else ()
    if isinstance(value, str):
        return tuple(int(number) for number in re.findall(r"\d+", value))
    return (value,) if isinstance(value, int) and value else ()


def _fits(cell: Cell) -> int:
    wanted = _counts(cell)
    jobs = JobFilters.of(RequestFactory().get(cell.link)).apply(Job.objects.closed()).count()
    assert jobs in wanted, (cell, jobs)
    return 1
