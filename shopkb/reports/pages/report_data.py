"""What the pages of figures are built from, each part read once however many of them ask for it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from shopkb.catalog.models import Cause
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.flow.model import cause_identity
from shopkb.evidence.cache import Cache
from shopkb.reports.figures.answers import run_minutes
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.figures.minutes import ProcedureFigures, procedure_figures
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.job_rows import job_facts, jobs_of_period, once
from shopkb.reports.gathering.procedure_tallies import Evidence, InForce, in_force

_procedures: Cache[tuple[ProcedureFigures, ...]] = Cache(64)


@dataclass(frozen=True)
class ReportData:
    """Of one filter. Every part is read when it is first asked for."""

    filters: Filters

    @cached_property
    def chosen(self) -> dict[str, InForce]:
        """Procedures in force that the filters let through."""
        return in_force(self.filters)

    @cached_property
    def everything(self) -> dict[str, InForce]:
        """All procedures in force."""
        narrowed = self.filters.system or self.filters.symptom or self.filters.procedure
        return in_force(self.filters.but(system="", symptom="", procedure="")) if narrowed else self.chosen

    @cached_property
    def titles(self) -> dict[str, str]:
        return {key: published.flow.title for key, published in self.chosen.items()}

    @cached_property
    def facts(self) -> Facts:
        return job_facts(self.filters)

    @cached_property
    def evidence(self) -> Evidence:
        return Evidence.now(self.filters, self.chosen)

    @cached_property
    def runs(self) -> Tallies:
        return self.evidence.runs()

    @cached_property
    def procedures(self) -> tuple[ProcedureFigures, ...]:
        """What each procedure takes to a proven cause, and how its jobs ended; kept until a closing changes it."""
        name = (self.filters.since, self.filters.until, self.filters.platform, self.filters.symptom)
        rests_on = (self.titles, self.evidence.stamps, self.facts.jobs)
        return _procedures.of((name, tuple(self.titles)), rests_on, self._procedures)

    def _procedures(self) -> tuple[ProcedureFigures, ...]:
        jobs = self.facts.jobs
        return procedure_figures(self.titles, self.runs, jobs, once(run_minutes, jobs), self.filters.months)

    @cached_property
    def cause_numbers(self) -> dict[str, int]:
        """Identity to number. One query."""
        rows = Cause.objects.order_by().values_list("pk", "component__path", "mode")
        return {cause_identity(path, mode): pk for pk, path, mode in rows}

    def later(self, since: str) -> ReportData:
        """The same from a later month on: no job is read again, and only the latest sums of the tallies."""
        part = ReportData(self.filters.but(since=since))
        whole, begins = self.facts, part.filters.begins
        jobs = tuple(job for job in whole.jobs if job.closed_at >= begins)
        all_read = whole.since is None or whole.since < begins
        known = {
            "chosen": self.chosen,
            "everything": self.everything,
            "facts": Facts(jobs, len(jobs) if all_read else jobs_of_period(part.filters).count()),
            "evidence": replace(self.evidence, filters=part.filters),
            "cause_numbers": self.cause_numbers,
        }
        part.__dict__.update(known)
        return part
