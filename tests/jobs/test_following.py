"""Following a procedure: what may be answered, what is kept, and that nothing is stored twice.

The horn procedure is invented. Its limits follow from copper: 1.5 mm2, 4 m there, 6 A at 40 degC is under half a volt.
"""

from __future__ import annotations

import uuid
from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from shopkb.accounts.models import User
from shopkb.catalog.models import Meter
from shopkb.jobs.actions import closing, following, handing_over
from shopkb.jobs.errors import IdempotencyConflict, NotPossible, StepNotCurrent, Unreadable
from shopkb.jobs.models import Job, Result, Run
from shopkb.jobs.run_results import effective_results, walk_of
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests import builders
from tests.builders import HORN_TEXT, TO_GROUND, TO_HORN, TO_OUT, follow, say
from tests.conftest import NOW


def way(run: Run) -> tuple[tuple[str, str], ...]:
    run.refresh_from_db()
    return walk_of(flow_of(run.revision), list(run.results.order_by("pk"))).path


def now(run: Run) -> str:
    run.refresh_from_db()
    return walk_of(flow_of(run.revision), list(run.results.order_by("pk"))).current


def test_a_run_takes_the_revision_in_force(run: Run, horn: Procedure, junior: User) -> None:
    assert run.revision == builders.in_force(horn)
    assert (run.state, run.holder, now(run)) == (Run.State.UNDER_WAY, junior, "press")


def test_a_procedure_out_of_force_cannot_be_started(job: Job, horn: Procedure, junior: User, second: User) -> None:
    publishing.withdraw(builders.in_force(horn), by=second, at=NOW, why="Wrong limit.")
    with pytest.raises(NotPossible) as refused:
        following.start_run(job, horn, by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == "No revision of 'Horn stays silent' is published, so it cannot be followed."


def test_a_closed_job_starts_no_run(job: Job, horn: Procedure, junior: User) -> None:
    closing.close_job(job, Job.Disposition.DECLINED, by=junior, at=NOW)
    with pytest.raises(NotPossible) as refused:
        following.start_run(job, horn, by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == f"Job {job.pk} is closed. Reopen it, or open a new job as its comeback."


def test_the_same_start_twice_is_one_run(job: Job, horn: Procedure, junior: User) -> None:
    sent = uuid.uuid4()
    one = following.start_run(job, horn, by=junior, at=NOW, client_id=sent)
    two = following.start_run(job, horn, by=junior, at=NOW, client_id=sent)
    assert one == two
    assert job.runs.count() == 1


def test_a_start_sent_before_for_another_procedure_is_refused(job: Job, horn: Procedure, junior: User) -> None:
    sent = uuid.uuid4()
    following.start_run(job, horn, by=junior, at=NOW, client_id=sent)
    other = Procedure.objects.get(key="horn-control")
    with pytest.raises(IdempotencyConflict) as refused:
        following.start_run(job, other, by=junior, at=NOW, client_id=sent)
    assert str(refused.value) == "Another procedure was started with this. Reload the page and choose again."
    assert job.runs.count() == 1


def test_only_the_step_to_do_now_is_taken(run: Run, junior: User) -> None:
    """At every point of the way, each step that is neither current nor passed is refused, and so is a made-up one."""
    flow = flow_of(run.revision)
    for number, (step, outcome, typed) in enumerate(TO_HORN):
        passed = {key for key, _outcome, _typed in TO_HORN[:number]}
        for other in flow.steps:
            if other.key in passed or other.key == step:
                continue
            with pytest.raises(StepNotCurrent) as refused:
                following.record(run, say(run, other.key, other.outcomes[0].key, "1"), by=junior, at=NOW)
            title, doing = flow.step_by_key[other.key].title, flow.step_by_key[step].title
            assert str(refused.value) == f"{title!r} is not on the route taken. The step to do now is: {doing}."
            assert refused.value.current == step
        with pytest.raises(StepNotCurrent) as refused:
            following.record(run, say(run, "no-such-step", "x"), by=junior, at=NOW)
        assert str(refused.value) == "This procedure has no step called 'no-such-step'."
        assert run.results.count() == number
        following.record(run, say(run, step, outcome, typed), by=junior, at=NOW)
    run.refresh_from_db()
    assert (run.state, run.ended_at) == (Run.State.ENDED, NOW)


def test_after_the_end_the_refusal_says_so(run: Run, junior: User) -> None:
    follow(run, TO_OUT, junior)
    with pytest.raises(StepNotCurrent) as refused:
        following.record(run, say(run, "direct", "silent"), by=junior, at=NOW)
    assert str(refused.value) == (
        "'Feed the horn from the battery' is not on the route taken. This procedure has come to its end."
    )
    assert refused.value.current == ""


@pytest.mark.parametrize("outcome", ["", "full", "no-such"])
def test_only_the_answers_offered_are_taken(run: Run, junior: User, outcome: str) -> None:
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "press", outcome), by=junior, at=NOW)
    assert str(refused.value) == "Choose one of the answers offered."
    assert run.results.count() == 0


def test_another_answer_to_an_earlier_step_supersedes_what_came_after(run: Run, junior: User) -> None:
    first = follow(run, TO_GROUND, junior)
    again = following.record(run, say(run, "supply", "weak", "7"), by=junior, at=NOW).result
    assert again.replaces == first[1]
    assert way(run) == (("press", "click"), ("supply", "weak"))
    assert run.results.count() == 4
    counting = effective_results(flow_of(run.revision), list(run.results.order_by("pk")))
    assert [row.pk for row in counting] == [first[0].pk, again.pk]


def test_the_same_answer_to_an_earlier_step_keeps_the_way(run: Run, junior: User) -> None:
    follow(run, TO_GROUND, junior)
    following.record(run, say(run, "supply", "full", "12.5"), by=junior, at=NOW)
    assert way(run) == (("press", "click"), ("supply", "full"), ("ground", "bad"))
    assert run.results.count() == 4


def test_an_end_reached_can_be_left_by_answering_again(run: Run, junior: User) -> None:
    follow(run, TO_OUT, junior)
    run.refresh_from_db()
    assert run.state == Run.State.ENDED
    following.record(run, say(run, "press", "click"), by=junior, at=NOW)
    run.refresh_from_db()
    assert (run.state, run.ended_at, now(run)) == (Run.State.UNDER_WAY, None, "supply")


@pytest.mark.parametrize("reason", Result.Skip.values)
def test_a_step_is_left_out_with_a_reason_and_a_way_on(run: Run, junior: User, reason: str) -> None:
    stored = following.record(run, say(run, "press", skipped=reason, onward="click"), by=junior, at=NOW).result
    assert (stored.outcome, stored.skipped, stored.onward) == ("", reason, "click")
    assert way(run) == (("press", "click"),)
    assert now(run) == "supply"


@pytest.mark.parametrize(
    ("reason", "onward", "said"),
    [
        ("looks fine", "click", "Choose one of the reasons offered for leaving this step out."),
        ("no-time", "", "Say which way to go on without this result."),
        ("no-time", "full", "Say which way to go on without this result."),
    ],
)
def test_a_skip_is_refused_without_reason_or_way(run: Run, junior: User, reason: str, onward: str, said: str) -> None:
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "press", skipped=reason, onward=onward), by=junior, at=NOW)
    assert str(refused.value) == said


def test_a_reading_is_kept_as_typed_and_in_the_unit_of_the_step(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    stored = following.record(run, say(run, "supply", "weak", "7000", unit="mV"), by=junior, at=NOW).result
    stored.refresh_from_db()
    assert (stored.typed, stored.reading, stored.unit) == ("7000", Decimal(7), "V")
    assert (stored.proposed, stored.verdict) == ("weak", "unjudged")


def test_an_answer_against_the_reading_needs_a_reason_and_keeps_both(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "supply", "full", "7"), by=junior, at=NOW)
    assert str(refused.value) == ("The reading gives another answer. Say why you choose this one; both are kept.")
    stored = following.record(
        run, say(run, "supply", "full", "7", override_why=" Tip slipped. "), by=junior, at=NOW
    ).result
    assert (stored.outcome, stored.proposed, stored.override_why) == ("full", "weak", "Tip slipped.")
    assert now(run) == "ground"


def test_an_answer_without_a_reading_needs_a_reason(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "supply", "full"), by=junior, at=NOW)
    assert str(refused.value) == "Enter the reading, or say why you answer without one."
    stored = following.record(run, say(run, "supply", "full", override_why="Lamp is bright"), by=junior, at=NOW).result
    assert (stored.reading, stored.override_why, stored.proposed) == (None, "Lamp is bright", "")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("twelve", "'twelve' does not start with a number. Give a number in V."),
        ("5 ohm", "5 Ω is a resistance, but voltage is asked for. Give it in V, mV or kV."),
        (
            "1,234.5",
            "'1,234.5' is not one plain number. "
            "Write it with one decimal mark and nothing between thousands, such as 1234.5.",
        ),
        ("1000000000000", "1000000000000 V is more than any meter shows. Look at the number and its unit again."),
    ],
)
def test_what_cannot_be_a_reading_is_refused_in_words(run: Run, junior: User, typed: str, said: str) -> None:
    follow(run, TO_HORN[:1], junior)
    with pytest.raises(Unreadable) as refused:
        following.record(run, say(run, "supply", "full", typed), by=junior, at=NOW)
    assert str(refused.value) == said
    assert run.results.count() == 1


def test_over_limit_is_kept_as_such(job: Job, horn: Procedure, junior: User) -> None:
    run = builders.start(job, Procedure.objects.get(key="horn-control"), junior)
    stored = following.record(run, say(run, "coil-ohms", "open", "OL"), by=junior, at=NOW).result
    stored.refresh_from_db()
    assert (stored.over_limit, stored.reading, stored.proposed) == (True, None, "open")


def test_a_meter_says_too_close_to_call(run: Run, junior: User) -> None:
    """Pocket meter, 0.8 % and 5 counts of 10 mV: at 0.21 V the limit of error is 0.052 V, so 0.2 V is in doubt."""
    pocket = Meter.objects.get(key="pocket")
    follow(run, TO_HORN[:2], junior)
    near = following.record(run, say(run, "ground", "bad", "0.21", meter=pocket), by=junior, at=NOW).result
    far = following.record(run, say(run, "ground", "bad", "0.9", meter=pocket), by=junior, at=NOW).result
    assert (near.verdict, far.verdict) == ("too close to call", "clear")
    assert (near.meter, near.proposed) == (pocket, "bad")


# Who may answer, and when not


def test_only_the_holder_answers(run: Run, junior: User, senior: User) -> None:
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "press", "click"), by=senior, at=NOW)
    assert str(refused.value) == "Junior is following this procedure. Take it over first, then answer."
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    following.record(run, say(run, "press", "click"), by=senior, at=NOW)
    with pytest.raises(NotPossible) as refused:
        following.record_value(run, "battery", "12", by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == "Senior is following this procedure. Take it over first, then answer."


def test_somebody_dismissed_answers_nothing(run: Run, junior: User) -> None:
    junior.is_active = False
    junior.save()
    for act in (
        lambda: following.record(run, say(run, "press", "click"), by=junior, at=NOW),
        lambda: handing_over.take_over(run, by=junior, at=NOW, client_id=uuid.uuid4()),
        lambda: following.stop_run(run, by=junior, at=NOW, why="x"),
        lambda: following.move_to_newest(run, by=junior),
        lambda: following.record_value(run, "battery", "12", by=junior, at=NOW, client_id=uuid.uuid4()),
        lambda: following.start_run(run.job, run.revision.procedure, by=junior, at=NOW, client_id=uuid.uuid4()),
    ):
        with pytest.raises(PermissionDenied) as refused:
            act()
        assert str(refused.value) == (
            "Your role does not let you book in, follow and close jobs. "
            "These roles may: technician, writer, manager, keeper."
        )


def test_a_procedure_withdrawn_for_safety_stops_the_run(run: Run, junior: User, second: User) -> None:
    publishing.withdraw(run.revision, by=second, at=NOW, why="Spins a fan at hands.", for_safety=True)
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "press", "click"), by=junior, at=NOW)
    assert str(refused.value) == (
        "Stop: this procedure was withdrawn for safety. Spins a fan at hands. What you recorded so far is kept."
    )


def test_a_procedure_withdrawn_for_another_reason_is_followed_to_its_end(run: Run, junior: User, second: User) -> None:
    publishing.withdraw(run.revision, by=second, at=NOW, why="Too long.")
    follow(run, TO_HORN, junior)
    assert now(run) == ""


def test_a_closed_job_takes_no_answer(run: Run, junior: User) -> None:
    closing.close_job(run.job, Job.Disposition.DECLINED, by=junior, at=NOW)
    said = f"Job {run.job_id} is closed; nothing more can be recorded on it."
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "press", "click"), by=junior, at=NOW)
    assert str(refused.value) == said
    with pytest.raises(NotPossible) as refused:
        following.record_value(run, "battery", "12", by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == said


def test_a_run_is_left_with_a_reason(run: Run, junior: User) -> None:
    with pytest.raises(NotPossible) as refused:
        following.stop_run(run, by=junior, at=NOW, why="  ")
    assert str(refused.value) == "Say why the procedure is left here; the next person needs to know."
    following.stop_run(run, by=junior, at=NOW, why=" Customer took it away. ")
    run.refresh_from_db()
    assert (run.state, run.stopped_why, run.ended_at) == (Run.State.STOPPED, "Customer took it away.", NOW)
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "press", "click"), by=junior, at=NOW)
    assert str(refused.value) == ("This procedure was left: Customer took it away. Start it again from the job.")


def test_a_run_that_has_ended_is_not_left(run: Run, junior: User) -> None:
    follow(run, TO_OUT, junior)
    with pytest.raises(NotPossible) as refused:
        following.stop_run(run, by=junior, at=NOW, why="Bored.")
    assert str(refused.value) == "This procedure has come to its end, so there is nothing left to leave."
    run.refresh_from_db()
    assert run.state == Run.State.ENDED


# Done out of order


def test_a_step_out_of_order_is_kept_and_moves_nothing(run: Run, junior: User) -> None:
    stored = following.record(run, say(run, "direct", "silent", off_path=True), by=junior, at=NOW).result
    assert stored.off_path
    assert now(run) == "press"
    counting = effective_results(flow_of(run.revision), list(run.results.order_by("pk")))
    assert [row.step for row in counting] == ["direct"]


def test_a_step_out_of_order_waits_for_what_it_needs(run: Run, junior: User) -> None:
    with pytest.raises(StepNotCurrent) as refused:
        following.record(run, say(run, "ground", "bad", "0.9", off_path=True), by=junior, at=NOW)
    assert str(refused.value) == "Before this step, do: Voltage at the connector."


# Time


def test_seconds_run_from_the_last_result_of_the_same_person(run: Run, junior: User, senior: User) -> None:
    def answered(step: tuple[str, str, str], minutes: float, by: User) -> int | None:
        at = NOW + timedelta(minutes=minutes)
        return following.record(run, say(run, *step), by=by, at=at).result.seconds

    assert answered(TO_HORN[0], 1.5, junior) == 90
    assert answered(TO_HORN[1], 31.5, junior) == 1800  # half an hour still counts
    assert answered(TO_HORN[2], 61.6, junior) is None  # a longer break does not
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    assert answered(TO_HORN[3], 62, senior) is None  # nor does a change of hands
    assert answered(TO_HORN[3], 60, senior) is None  # nor a clock that went back


def test_a_step_that_waits_keeps_its_time(horn: Procedure, junior: User, senior: User, second: User) -> None:
    """The writer expects 40 minutes; half an hour's break is nothing there, an hour and a half is one."""
    waits = HORN_TEXT.replace("procedure: horn-silent", "procedure: horn-waits")
    procedure = builders.put_in_force(waits.replace("minutes: 1\n", "minutes: 40\n"), senior, second)
    for minutes, seconds in ((55, 3300), (81, None)):
        run = builders.start(builders.take_in(junior), procedure, junior)
        at = NOW + timedelta(minutes=minutes)
        assert following.record(run, say(run, *TO_HORN[0]), by=junior, at=at).result.seconds == seconds
