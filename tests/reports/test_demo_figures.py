"""The figures of the demo's invented jobs against pandas, which reads the bare rows and counts on its own."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from shopkb.accounts.models import User
from shopkb.core.flow.model import GoKind
from shopkb.demo.people import make_people, read_people
from shopkb.jobs.history import store_history
from shopkb.jobs.models import Job, Repair, Run, Verification
from shopkb.jobs.standing import standing_results
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports import registry
from shopkb.reports.filters import Filters
from shopkb.reports.shares import Share
from shopkb.reports.tables import Table
from tests.conftest import FIXTURES
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
            (run.job_id, run.revision.procedure.key, row.who.username, row)
            for run in whole
            for row in standing_results(flow_of(run.revision), list(run.results.filter(retraction__isnull=True)))
        ]
        fields = ("id", "step", "outcome", "skipped", "seconds", "off_path", "override_why")
        frame = pd.DataFrame([(*place, *(getattr(row, name) for name in fields)) for *place, row in rows])
        frame.columns = ["job", "procedure", "who", *fields]
        return frame.sort_values("id").join(self.jobs[["cause", "disposition", "back"]], on="job", how="inner")

    @staticmethod
    def _ends() -> dict[tuple[str, str, str], str]:
        flows = [flow_of(row) for row in Revision.objects.filter(state="published").select_related("procedure")]
        return {
            (flow.procedure, step.key, outcome.key): flow.cause_by_key[outcome.go.key].identity
            for flow in flows for step in flow.steps for outcome in step.outcomes if outcome.go.kind is GoKind.CAUSE
        }  # fmt: skip


@pytest.fixture
def rows(catalog: None, senior: User, second: User, keeper: User) -> Rows:
    invented.put_in_force(senior, second)
    make_people(read_people(FIXTURES / "people.yaml"))
    stored = list(store_history((one.past for one in invented.simulated(JOBS)), by=keeper))
    assert stored[-1].jobs >= JOBS * 0.9
    return Rows()


def table(page: str, name: str, **more: str) -> Table:
    found = registry.page(page, YEAR, invented.NOW, **more)
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


def _steps(rows: Rows) -> None:
    """Done, found, left out, median and quartiles of minutes of every step (pandas' quantile is R's type 7 as well)."""
    given = rows.answers[rows.answers.skipped == ""].copy()
    given["names"] = [rows.ends.get(key, "") for key in zip(given.procedure, given.step, given.outcome, strict=True)]
    latest = given.groupby(["procedure", "step", "job"]).last().reset_index()
    done = latest.groupby(["procedure", "step"]).job.nunique()
    proven = latest[latest.cause.notna()]
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
    times = rows.answers.groupby(["job", "procedure"]).seconds.agg(["sum", "count", "size"]).reset_index()
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
