"""What is believed of a job on which several procedures were opened."""

from __future__ import annotations

import pytest

from shopkb.accounts.models import User
from shopkb.jobs.models import Job
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import CONTROL_TEXT
from tests.conftest import NOW

COIL = "body/horn/relay#coil open circuit"
TO_CONTROL = (("press", "silent", ""),)
TO_COIL = (("coil-ohms", "high", "900"),)


@pytest.fixture
def control(horn: Procedure, senior: User, second: User) -> Procedure:
    """The procedure that the horn's hands over to."""
    return builders.put_in_force(CONTROL_TEXT, senior, second)


def believed(job: Job) -> dict[str, float]:
    reasoning = reason(job, run_states_of(job), at=NOW)
    assert reasoning is not None
    return {row.cause: row.probability for row in reasoning.possible}


def test_what_the_second_procedure_proved_is_believed_in_either_order(
    horn: Procedure, control: Procedure, junior: User
) -> None:
    jobs = builders.take_in(junior), builders.take_in(junior)
    for job, order in zip(jobs, ((horn, control), (control, horn)), strict=True):
        for procedure in order:
            builders.follow(
                builders.start(job, procedure, junior), TO_CONTROL if procedure == horn else TO_COIL, junior
            )
    one, other = map(believed, jobs)
    assert one[COIL] > 0.7
    assert one == pytest.approx(other, abs=1e-9)


def test_what_lies_behind_a_hand_over_is_one_line_until_the_procedure_is_opened(
    horn: Procedure, control: Procedure, junior: User
) -> None:
    job = builders.take_in(junior)
    builders.follow(builders.start(job, horn, junior), TO_CONTROL, junior)
    before = believed(job)
    assert before["hand-over horn-control"] > 0.5
    reasoning = reason(job, run_states_of(job), at=NOW)
    assert reasoning is not None
    assert reasoning.likeliest[0].name == (
        "a cause for \N{LEFT DOUBLE QUOTATION MARK}Horn relay is not called\N{RIGHT DOUBLE QUOTATION MARK}"
    )
    builders.start(job, control, junior)
    after = believed(job)
    assert after[COIL] + after["body/horn/button#open circuit"] == pytest.approx(before["hand-over horn-control"])
    for cause in before.keys() & after.keys():
        assert after[cause] == pytest.approx(before[cause])


def test_the_next_action_goes_on_in_the_procedure_under_way(horn: Procedure, control: Procedure, junior: User) -> None:
    """Not back in the one that has handed the job over."""
    job = builders.take_in(junior)
    builders.follow(builders.start(job, horn, junior), TO_CONTROL, junior)
    builders.start(job, control, junior)
    reasoning = reason(job, run_states_of(job), at=NOW)
    assert reasoning is not None
    assert reasoning.next_words == "Resistance of the coil, the next step as written."
    page = builders.signed_in(junior).get(f"/jobs/{job.pk}/").content.decode()
    assert "<b>Next:</b> Resistance of the coil, the next step as written." in page


def test_a_cause_that_was_proven_is_repaired_before_another_procedure_goes_on(
    horn: Procedure, control: Procedure, junior: User
) -> None:
    job = builders.take_in(junior)
    builders.start(job, control, junior)
    builders.follow(builders.start(job, horn, junior), builders.TO_HORN, junior)
    reasoning = reason(job, run_states_of(job), at=NOW)
    assert reasoning is not None
    assert "Fit a new horn. It cures with a probability of more than 99%." in reasoning.next_words


def test_a_procedure_opened_by_mistake_changes_nothing(
    horn: Procedure, senior: User, second: User, junior: User
) -> None:
    strange = CONTROL_TEXT.replace("horn-control", "horn-button").replace("Horn relay is not called", "Button")
    mistaken = builders.put_in_force(strange, senior, second)
    job = builders.take_in(junior)
    builders.start(job, mistaken, junior)
    builders.follow(builders.start(job, horn, junior), builders.TO_GROUND, junior)
    alone = builders.take_in(junior)
    builders.follow(builders.start(alone, horn, junior), builders.TO_GROUND, junior)
    assert believed(job) == pytest.approx(believed(alone))


def test_procedures_that_do_not_hand_over_start_as_often_as_jobs_did(
    horn: Procedure, senior: User, second: User, junior: User
) -> None:
    """Each closed job with this complaint on this platform makes the procedure it followed likelier to be the right
    one to begin with."""
    strange = CONTROL_TEXT.replace("horn-control", "horn-button").replace("Horn relay is not called", "Button")
    apart = builders.put_in_force(strange, senior, second)
    job = builders.take_in(junior)
    builders.follow(builders.start(job, horn, junior), (("press", "click", ""),), junior)
    builders.follow(builders.start(job, apart, junior), (("coil-ohms", "sound", "80"),), junior)
    before = believed(job)["body/horn/button#open circuit"]
    for _ in range(3):
        builders.cured_job(horn, junior)
    assert believed(job)["body/horn/button#open circuit"] < before
