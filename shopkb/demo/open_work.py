"""The jobs that stand open when the demo begins, made through the same doors as a technician's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

import numpy as np

from shopkb.accounts.models import User
from shopkb.catalog.models import Meter, Platform, Symptom
from shopkb.core.flow.model import Flow
from shopkb.demo.nature import Nature
from shopkb.demo.past_jobs import PastResult, PastValue
from shopkb.demo.simulator import technician
from shopkb.demo.truth import OpenJob, Truth
from shopkb.demo.visit import Clock, Visit
from shopkb.jobs.actions.confirming import DangerConfirmation, pass_danger
from shopkb.jobs.actions.following import record, record_value, start_run
from shopkb.jobs.actions.intake import Intake, open_job
from shopkb.jobs.answering import Answer
from shopkb.jobs.dangers import cautions_in_force, danger_due
from shopkb.jobs.models import Job, Run
from shopkb.procedures.models import Procedure

LAST_ANSWER = timedelta(minutes=3)
"""How long before now the last answer of an open job was given, at the latest."""


class SteadyClock(Clock):
    """A clock without opening hours: whoever starts the demo at night finds work done this hour."""

    def work(self, minutes: float) -> datetime:
        self.now += timedelta(minutes=minutes)
        return self.now


@dataclass(frozen=True, eq=False)
class OpenWork:
    """What making open jobs takes."""

    truth: Truth
    natures: Mapping[str, Nature]
    people: Mapping[str, User]
    rng: np.random.Generator
    now: datetime

    def make(self, spec: OpenJob) -> Job:
        """Take in the vehicle and follow the procedure as far as the truth says."""
        by, opened = self.people[spec.technician], self.now - timedelta(minutes=spec.minutes_ago)
        job = open_job(self._intake(spec), by=by, at=opened)
        if spec.procedure:
            self._follow(job, spec, by, opened + timedelta(minutes=2))
        return job

    def _intake(self, spec: OpenJob) -> Intake:
        vehicle = next(one for one in self.truth.vehicles if one.registration == spec.registration)
        return Intake(
            registration=vehicle.registration,
            platform=Platform.objects.get(path=vehicle.platform),
            complaint=spec.complaint,
            client_id=self._id(),
            vin=vehicle.vin,
            year=vehicle.year,
            symptom=Symptom.objects.get(key=spec.symptom),
            codes=spec.codes,
            odometer=vehicle.km,
            complaint_verified=Job.Verified.YES if spec.procedure else Job.Verified.NOT_YET,
        )

    def _follow(self, job: Job, spec: OpenJob, by: User, started: datetime) -> None:
        procedure = Procedure.objects.get(key=spec.procedure)
        run = start_run(job, procedure, by=by, at=started, client_id=self._id())
        nature = self.natures[spec.procedure]
        cause = nature.flow.cause_by_key[spec.towards].identity
        who = technician(self.truth, spec.technician)
        visit = Visit(self.rng, self.truth, {spec.procedure: nature}, cause, who, SteadyClock(started), access={})
        visit.begin(spec.procedure)
        while visit.way().current and len(visit.leg.results) < spec.steps:
            visit.answer(nature.flow.step_by_key[visit.way().current], careful=True)
        self._record(run, visit, by, started)

    def _record(self, run: Run, visit: Visit, by: User, started: datetime) -> None:
        """Answers and values in the order of their times, pressed together if they would reach beyond now."""
        meters = {meter.key: meter for meter in Meter.objects.all()}
        last = max((result.at for result in visit.leg.results), default=started)
        room = self.now - LAST_ANSWER - started
        factor = min(1.0, room / (last - started)) if last > started else 1.0
        parts: list[PastValue | PastResult] = sorted([*visit.leg.values, *visit.leg.results], key=lambda part: part.at)
        for part in parts:
            at = started + (part.at - started) * factor
            if isinstance(part, PastValue):
                record_value(run, part.key, part.typed, by=by, at=at, client_id=self._id())
                continue
            answer = Answer(
                step=part.step,
                client_id=self._id(),
                outcome=part.outcome,
                typed=part.typed,
                meter=meters.get(part.meter),
                override_why=part.override_why,
            )
            self._confirm_dangers(run, visit.flow, part.step, by, at)
            record(run, answer, by=by, at=at)

    def _confirm_dangers(self, run: Run, flow: Flow, step: str, by: User, at: datetime) -> None:
        """As the screen asks it before each step that brings a danger."""
        here = flow.step_by_key[step]
        own, _still = cautions_in_force(flow, here, ())
        while danger := danger_due(run, flow, here, own, by=by, at=at):
            pass_danger(
                run, DangerConfirmation(step, danger.key, int(self.rng.integers(3, 12)), self._id()), by=by, at=at
            )

    def _id(self) -> UUID:
        return UUID(bytes=self.rng.bytes(16), version=4)
