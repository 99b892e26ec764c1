"""Rows of jobs. Results, repairs and verifications are append-only: a correction is a new row."""

from __future__ import annotations

from datetime import datetime
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.db.models.functions import Coalesce, NullIf
from django.utils.functional import cached_property

from shopkb.catalog.models import Cause, Platform, Symptom
from shopkb.core.flow.model import Proof
from shopkb.jobs.event import Event
from shopkb.jobs.findings import Finding, Settlement
from shopkb.jobs.idempotence import ClientRecord, SignedRecord
from shopkb.jobs.job_reading import JobReading
from shopkb.jobs.judged import Judged
from shopkb.jobs.late_value import LateValue
from shopkb.jobs.noted import began_at, noted_times
from shopkb.jobs.registrations import bare, bare_registration, normal_registration
from shopkb.jobs.repair_rows import MeasuredAgain, RepairPart
from shopkb.procedures.models import Revision
from shopkb.web.numbers import row_number

__all__ = [
    "DangerPassed", "Event", "Finding", "HandOver", "Job", "JobReading", "LateValue", "MeasuredAgain", "Photo",
    "PutBack", "Repair", "RepairPart", "Result", "Retraction", "Run", "RunValue", "Settlement", "Vehicle",
    "Verification",
]  # fmt: skip

PERSON = settings.AUTH_USER_MODEL


class VehicleQuerySet(models.QuerySet["Vehicle"]):
    def carrying(self, registration: str) -> Self:
        """Those with this registration, however blanks and hyphens were written: first the one that is written so,
        then the newest. None where nothing is said."""
        wanted = bare_registration(registration)
        if not wanted:
            return self.none()
        so_written = models.Case(models.When(registration=normal_registration(registration), then=0), default=1)
        return self.alias(bare=bare("registration")).filter(bare=wanted).order_by(so_written, "-pk")


class Vehicle(models.Model):
    """What carries a registration now. What it was at a job stands with the job."""

    registration = models.CharField(max_length=20, unique=True)
    vin = models.CharField("VIN", max_length=17, blank=True)
    platform = models.ForeignKey(Platform, on_delete=models.PROTECT, related_name="vehicles")
    year = models.PositiveSmallIntegerField(null=True, blank=True)
    customer_reference = models.CharField(
        "customer's reference", max_length=60, blank=True, default="",
        help_text="By which the office or the customer knows the vehicle, such as an account or a fleet number.",
    )  # fmt: skip

    objects = VehicleQuerySet.as_manager()

    class Meta:
        ordering = ["registration"]

    def __str__(self) -> str:
        return self.registration


class JobQuerySet(models.QuerySet["Job"]):
    def open(self) -> Self:
        return self.filter(state=Job.State.OPEN)

    def closed(self) -> Self:
        return self.filter(state=Job.State.CLOSED)

    def for_list(self) -> Self:
        return self.select_related("vehicle", "platform", "symptom", "opened_by")

    def answered(self, given: models.QuerySet[Result]) -> Self:
        """Jobs with one of these answers."""
        return self.filter(models.Exists(given.filter(run__job=models.OuterRef("pk"))))

    def that_followed(self, procedure: str) -> Self:
        """Jobs with an answer to one of its steps: a run that was left before the first says nothing.

        That there is a run follows from it; said as well, PostgreSQL looks at the answers of those jobs alone.
        """
        runs = Run.objects.filter(job=models.OuterRef("pk"), revision__procedure__key=procedure)
        return self.filter(models.Exists(runs)).answered(
            Result.objects.filter(retraction__isnull=True, run__revision__procedure__key=procedure)
        )

    def holding(self, words: str) -> Self:
        """Jobs whose registration, complaint, VIN, customer's reference or number holds these words; blanks and hyphens
        of a registration are nothing."""
        match = (
            Q(vehicle__registration__icontains=words)
            | Q(complaint__icontains=words)
            | Q(vehicle__vin__icontains=words)
            | Q(vin__icontains=words)
            | Q(vehicle__customer_reference__icontains=words)
        )
        if plate := bare_registration(words):
            match |= Q(bare__contains=plate)
        if (number := row_number(words)) is not None:
            match |= Q(pk=number)
        return self.alias(bare=bare("vehicle__registration")).filter(match)


class Job(ClientRecord):
    """One vehicle's visit for one complaint."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        CLOSED = "closed", "closed"

    class Verified(models.TextChoices):
        NOT_YET = "not-yet", "not tried yet"
        YES = "yes", "yes, seen or heard"
        NO = "no", "no, not present now"

    class Disposition(models.TextChoices):
        CURED = "cured", "cured and verified"
        NOT_CHECKED = "not-checked", "repaired, cure not verified"
        NOT_PRESENT = "not-present", "complaint not present, nothing repaired"
        DECLINED = "declined", "repair declined by the customer"
        SENT_ELSEWHERE = "sent-elsewhere", "sent elsewhere"
        UNSOLVED = "unsolved", "not solved"

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, related_name="jobs")
    platform = models.ForeignKey(Platform, on_delete=models.PROTECT, related_name="jobs")
    vin = models.CharField("VIN", max_length=17, blank=True, help_text="As it was when it was booked in.")
    year = models.PositiveSmallIntegerField(null=True, blank=True, help_text="As it was when it was booked in.")
    complaint = models.TextField(max_length=2000)
    circumstances = models.TextField(max_length=2000, blank=True)
    symptom = models.ForeignKey(Symptom, on_delete=models.PROTECT, null=True, blank=True, related_name="jobs")
    codes = models.JSONField(default=list, blank=True)
    odometer = models.PositiveIntegerField(null=True, blank=True, help_text="km")
    complaint_verified = models.CharField(max_length=10, choices=Verified, default=Verified.NOT_YET)
    state = models.CharField(max_length=10, choices=State, default=State.OPEN)
    disposition = models.CharField(max_length=20, choices=Disposition, blank=True)
    closing_note = models.TextField(max_length=2000, blank=True)
    opened_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="jobs_opened")
    opened_at = models.DateTimeField()
    closed_by = models.ForeignKey(PERSON, on_delete=models.PROTECT, null=True, blank=True, related_name="jobs_closed")
    closed_at = models.DateTimeField(null=True, blank=True)
    comeback_of = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="comebacks")

    objects = JobQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at", "-id"]
        indexes = [models.Index(fields=["state", "-opened_at"]), models.Index(fields=["-closed_at"])]
        constraints = [
            models.CheckConstraint(
                name="job_closed_says_how",
                condition=Q(state="open", disposition="", closed_at__isnull=True)
                | (Q(state="closed", closed_at__isnull=False) & ~Q(disposition="")),
            ),
            models.CheckConstraint(
                name="job_not_own_comeback", condition=Q(comeback_of__isnull=True) | ~Q(comeback_of=models.F("id"))
            ),
        ]

    def __str__(self) -> str:
        return f"Job {self.pk}"

    @property
    def is_open(self) -> bool:
        return self.state == self.State.OPEN

    @cached_property
    def standing_findings(self) -> list[Finding]:
        """Findings beside the way that were noted by hand, that were repaired, or whose answer still counts, read once
        for this row; one query without any. Which answers count is dear to ask, and most jobs have no finding that came
        from one. What was repaired was there, whatever its step says when it is done again."""
        rows = list(self.findings.with_settlements())
        asked = [row for row in rows if row.result_id is not None and not row.was_repaired]
        answers = [row.result_id for row in asked if row.result_id is not None]
        counts = set(Result.objects.effective().filter(pk__in=answers).values_list("pk", flat=True)) if answers else ()
        return [row for row in rows if row not in asked or row.result_id in counts]

    @cached_property
    def began_at(self) -> datetime:
        """When it was booked in: on the device, where that was without the network. One query."""
        booked = self.events.filter(kind=Event.Kind.BOOKED).values_list("device_at", flat=True).first()
        return began_at(self.opened_at, booked)

    @cached_property
    def noted(self) -> dict[tuple[str, int], datetime]:
        """When what a device kept of this job was noted there, by kind of event and number of the row. Two queries."""
        kept = Event.objects.filter(device_at__isnull=False)
        events = [*kept.filter(job=self), *kept.filter(run__job=self)]  # one question with OR would read the whole log
        return dict(noted_times(events, self.began_at))

    @property
    def open_findings(self) -> list[Finding]:
        """Those of which nobody has said what became of them."""
        return [finding for finding in self.standing_findings if finding.settled is None]


class RunQuerySet(models.QuerySet["Run"]):
    def under_way(self) -> Self:
        return self.filter(state=Run.State.UNDER_WAY)


class Run(ClientRecord):
    """One procedure being followed on a job, on the revision it was started with."""

    class State(models.TextChoices):
        UNDER_WAY = "under-way", "under way"
        ENDED = "ended", "ended"
        STOPPED = "stopped", "stopped"

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="runs")
    revision = models.ForeignKey(Revision, on_delete=models.PROTECT, related_name="runs")
    came_from = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="handed_over")
    holder = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="runs_held")
    state = models.CharField(max_length=12, choices=State, default=State.UNDER_WAY)
    stopped_why = models.CharField(max_length=200, blank=True)
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = RunQuerySet.as_manager()

    def __str__(self) -> str:
        return f"run {self.pk}"


class RunValue(SignedRecord):
    """A value asked once a run, such as the battery's voltage with everything off. The latest counts."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="values")
    key = models.CharField(max_length=60)
    typed = models.CharField(max_length=60)
    magnitude = models.DecimalField(max_digits=18, decimal_places=6)
    unit = models.CharField(max_length=10)

    def __str__(self) -> str:
        return f"{self.key} = {self.typed}"


class ResultQuerySet(models.QuerySet["Result"]):
    def not_retracted(self) -> Self:
        """Results that were not taken back at once, in the order they were recorded."""
        return self.filter(retraction__isnull=True).order_by("pk")

    def effective(self) -> Self:
        """Those of them that count, in any order: what :func:`shopkb.jobs.run_results.effective_results` selects
        from the rows of a whole run. One subquery for each way to lose effect."""
        here = Result.objects.filter(retraction__isnull=True, run=models.OuterRef("run"))
        same = here.filter(step=models.OuterRef("step"))
        later = same.filter(pk__gt=models.OuterRef("pk"))
        again = models.Exists(later.filter(off_path=models.OuterRef("off_path")))
        done_in_order = models.Exists(same.filter(off_path=False))
        # What is dear to ask stands last: PostgreSQL asks in the written order.
        return (
            self.filter(~again, retraction__isnull=True)
            .exclude(Q(off_path=True) & Q(done_in_order))
            .exclude(Q(off_path=False) & Q(_answered_again()) & Q(_another_way_before()))
        )

    def on_written_way(self) -> Self:
        """Those that were first given on the written way, before anything else was found out on the job: what
        :mod:`shopkb.jobs.closed_jobs` gives a position of its procedure."""
        here = Result.objects.filter(retraction__isnull=True)
        left = Q(run=models.OuterRef("run")) & (Q(off_path=True) | ~Q(skipped=""))
        elsewhere = ~Q(run=models.OuterRef("run")) & Q(at__gt=models.OuterRef("run__started_at"))
        departed = here.filter(left | elsewhere, run__job=models.OuterRef("run__job"), pk__lt=models.OuterRef("pk"))
        repaired = Repair.objects.filter(
            job=models.OuterRef("run__job"), at__gt=models.OuterRef("run__started_at"), at__lt=models.OuterRef("at")
        )
        same = {name: models.OuterRef(name) for name in ("run", "step", "outcome")}
        given = here.filter(~models.Exists(departed), ~models.Exists(repaired), off_path=False, **same)
        return self.filter(models.Exists(given), off_path=False).exclude(outcome="")

    def late(self) -> Self:
        """Answers that came too late to count, as they were given; ``judgement`` says what came before them."""
        return self.filter(retraction__client_id=models.F("client_id")).order_by("pk")


def _answered_again() -> models.Exists:
    """A step that was answered before this answer was answered after it too: seldom, and cheap to ask."""
    in_order = Result.objects.filter(retraction__isnull=True, off_path=False, run=models.OuterRef("run"))
    before = in_order.filter(step=models.OuterRef("step"), pk__lt=models.OuterRef(models.OuterRef("pk")))
    return models.Exists(in_order.filter(models.Exists(before), pk__gt=models.OuterRef("pk")))


def _another_way_before() -> models.Exists:
    """Somebody went back after this answer: a step before it was answered again, and led elsewhere.

    An answer that was left behind by then does not count as before it, so a way that joins an older one again stands.
    """
    way = Coalesce(NullIf("outcome", models.Value("")), "onward")
    in_order = Result.objects.filter(retraction__isnull=True, off_path=False, run=models.OuterRef("run"))
    at_first = in_order.filter(step=models.OuterRef("step"), pk__lt=models.OuterRef(models.OuterRef("pk")))
    left = models.Subquery(at_first.order_by("-pk").values(way=way)[:1])
    until = models.OuterRef(models.OuterRef(models.OuterRef("pk")))
    left_behind = in_order.filter(pk__gt=models.OuterRef("pk"), pk__lte=until).annotate(then=left, way=way)
    left_behind = left_behind.filter(then__isnull=False).exclude(way=models.F("then"))
    before = in_order.filter(step=models.OuterRef("step"), pk__lt=models.OuterRef(models.OuterRef("pk")))
    before = before.filter(~models.Exists(left_behind))
    then = models.Subquery(before.order_by("-pk").values(way=way)[:1])
    turned = in_order.filter(pk__gt=models.OuterRef("pk")).annotate(then=then, way=way)
    return models.Exists(turned.filter(then__isnull=False).exclude(way=models.F("then")))


class Result(Judged):
    """One step done or skipped in a run. A later result of the same step replaces the earlier one."""

    class Skip(models.TextChoices):
        NO_TIME = "no-time", "no time for it now"
        NO_ACCESS = "no-access", "cannot get at it"
        NO_TOOL = "no-tool", "the tool for it is not here"
        NOT_SAFE = "not-safe", "not safe here and now"
        WOULD_DAMAGE = "would-damage", "would damage something"

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="results")
    skipped = models.CharField(max_length=20, choices=Skip, blank=True)
    onward = models.CharField(max_length=60, blank=True, help_text="After a skip: the outcome assumed for the way on.")
    off_path = models.BooleanField(default=False, help_text="Done out of the written order, for what it tells.")
    seconds = models.PositiveIntegerField(null=True, blank=True)
    note = models.TextField(max_length=2000, blank=True)
    who = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="results")
    replaces = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by")

    objects = ResultQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                name="result_done_or_skipped",
                condition=(~Q(outcome="") & Q(skipped="")) | (Q(outcome="") & ~Q(skipped="")),
            )
        ]

    def __str__(self) -> str:
        return f"{self.step}: {self.outcome or self.skipped}"

    @property
    def is_late(self) -> bool:
        """Whether it came too late to count: it was taken back by its own sending."""
        return hasattr(self, "retraction") and self.retraction.client_id == self.client_id


class RepairQuerySet(models.QuerySet["Repair"]):
    """What closed jobs prove of their repairs, as :class:`shopkb.jobs.job_facts.JobFact` has it in Python."""

    def verified_as(self, cured: Verification.Cured) -> Self:
        """Those whose latest verification says this."""
        return self.filter(_latest_verification(cured))

    def cured_complaint(self) -> Self:
        """Those verified as cured that do not put right another fault that was found."""
        return self.verified_as(Verification.Cured.YES).filter(~put_another_right())

    def claimed(self) -> Self:
        """The repair that cured, as the job says: the last one verified as cured, on a job closed as cured.

        One that put another fault right is it only where no other was.
        """
        return self.filter(_claimed())

    def confirmed(self) -> Self:
        """Claimed repairs of jobs that did not come back."""
        return self.filter(~_came_back(), _claimed())

    def taken_back(self) -> Self:
        """Claimed repairs of jobs that came back."""
        return self.filter(_came_back(), _claimed())

    def wrong(self) -> Self:
        """Repairs that did not cure, and the claimed one if the job came back."""
        return self.filter(_latest_verification(Verification.Cured.NO) | (_came_back() & _claimed()))

    def rejected(self) -> Self:
        """Repairs whose named ends were wrong: those that did not cure, and all if the job came back."""
        return self.filter(_latest_verification(Verification.Cured.NO) | _came_back())


def _latest_verification(cured: Verification.Cured) -> Q:
    later = Verification.objects.filter(repair=models.OuterRef("repair"), pk__gt=models.OuterRef("pk"))
    latest = Verification.objects.filter(~models.Exists(later), repair=models.OuterRef("pk"), cured=cured)
    return Q(models.Exists(latest))


def _came_back() -> Q:
    return Q(models.Exists(Job.objects.filter(comeback_of=models.OuterRef("job"))))


def _claimed() -> Q:
    of_job = Repair.objects.filter(job=models.OuterRef("job"))
    later = of_job.filter(pk__gt=models.OuterRef("pk"))
    own = Q(~put_another_right()) & Q(~models.Exists(later.cured_complaint()))
    only_others = Q(put_another_right()) & Q(~models.Exists(of_job.cured_complaint()))
    last_other = only_others & Q(~models.Exists(later.verified_as(Verification.Cured.YES)))
    closed_as_cured = Q(job__state=Job.State.CLOSED, job__disposition=Job.Disposition.CURED)
    return closed_as_cured & _latest_verification(Verification.Cured.YES) & (own | last_other)


def put_another_right() -> models.Exists:
    """Whether a repair put another fault right that was found on the job."""
    return models.Exists(Settlement.objects.filter(repair=models.OuterRef("pk")))


class Repair(SignedRecord):
    """A cause, how it was proven, and what was done about it."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="repairs")
    result = models.ForeignKey(Result, on_delete=models.PROTECT, null=True, blank=True, related_name="repairs")
    cause = models.ForeignKey(Cause, on_delete=models.PROTECT, related_name="repairs")
    also = models.ManyToManyField(Cause, blank=True, related_name="found_with")
    proof = models.CharField(max_length=20, choices=[(proof.value, proof.value) for proof in Proof])
    correction = models.TextField(max_length=2000)
    parts = models.TextField(max_length=1000, blank=True)
    minutes = models.PositiveSmallIntegerField(null=True, blank=True)
    also_found = models.TextField(max_length=2000, blank=True)
    weak = models.CharField(
        max_length=300, blank=True, default="", help_text="Why the proof was not to be relied on when it was recorded."
    )
    who = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="repairs")

    objects = RepairQuerySet.as_manager()

    def __str__(self) -> str:
        return f"repair {self.pk}"


class Verification(SignedRecord):
    """Whether a repair cured the complaint, and how that was found out. The latest counts."""

    class Cured(models.TextChoices):
        YES = "cured", "cured"
        NO = "not-cured", "not cured"
        NOT_CHECKED = "not-checked", "not checked"

    repair = models.ForeignKey(Repair, on_delete=models.PROTECT, related_name="verifications")
    cured = models.CharField(max_length=12, choices=Cured)
    how = models.TextField(max_length=2000, blank=True)

    def __str__(self) -> str:
        return f"{self.repair_id}: {self.cured}"


def latest_cured() -> models.Subquery:
    """For a repair, the verdict of its latest verification; ``None`` without one."""
    return models.Subquery(
        Verification.objects.filter(repair=models.OuterRef("pk")).order_by("-pk").values("cured")[:1]
    )


class Retraction(SignedRecord):
    """An answer taken back at once (undo). The answer stays on record and no longer counts."""

    result = models.OneToOneField(Result, on_delete=models.PROTECT, related_name="retraction")

    class Meta:
        """In no order: there is one for a result at the most."""

    def __str__(self) -> str:
        return f"retracts {self.result_id}"


class DangerPassed(SignedRecord):
    """Somebody confirmed the state of things a DANGER asks for, and how long it was on the screen."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="dangers_passed")
    step = models.CharField(max_length=60)
    caution = models.CharField(max_length=60)
    statement = models.CharField(max_length=200)
    wording = models.PositiveIntegerField(default=0, help_text="Number of the caution's wording that was shown.")
    shown_seconds = models.PositiveIntegerField()

    def __str__(self) -> str:
        return f"{self.caution} at {self.step}"


class HandOver(ClientRecord):
    """A run passed from one person to another: where it stands, why, what is off or unsafe, what is excluded so far.

    The receiver accepts by name; until then the giver holds the run.
    """

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="hand_overs")
    giver = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="hand_overs_given")
    receiver = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="hand_overs_received")
    step = models.CharField(max_length=60, blank=True)
    reason = models.CharField(max_length=200)
    off_vehicle = models.TextField(max_length=2000, blank=True)
    excluded = models.TextField(max_length=2000, blank=True)
    note = models.TextField(max_length=2000, blank=True)
    at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{self.giver_id} to {self.receiver_id}"


class PutBack(models.Model):
    """A part that was unplugged or taken off in a run, confirmed by name to be back."""

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="put_back")
    part = models.CharField(max_length=200)
    after = models.BigIntegerField(default=0, help_text="Number of the run's newest answer then; clocks may jump.")
    who = models.ForeignKey(PERSON, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["run", "part", "at"], name="put_back_once_at_a_time")]

    def __str__(self) -> str:
        return self.part


class Photo(SignedRecord):
    """A picture taken on a job: re-encoded, turned upright, its place of taking removed."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="photos")
    result = models.ForeignKey(Result, on_delete=models.PROTECT, null=True, blank=True, related_name="photos")
    repair = models.ForeignKey(Repair, on_delete=models.PROTECT, null=True, blank=True, related_name="photos")
    name = models.CharField(max_length=80, unique=True)
    words = models.CharField(max_length=200, blank=True)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    size = models.PositiveIntegerField()

    def __str__(self) -> str:
        return self.name
