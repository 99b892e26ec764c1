"""A job keeps its revision until it is moved, and then keeps what still has a place (laws 1 and 2)."""

from __future__ import annotations

from datetime import timedelta

import pytest

from shopkb.accounts.models import User
from shopkb.jobs.actions import closing, following
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Job, Run
from shopkb.jobs.proofs import causes_named
from shopkb.jobs.run_results import effective_results, walk_of
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, follow, say
from tests.conftest import NOW

LATER = NOW + timedelta(minutes=5)


def way(run: Run) -> tuple[tuple[str, str], ...]:
    run.refresh_from_db()
    return walk_of(flow_of(run.revision), list(run.results.order_by("pk"))).path


def now(run: Run) -> str:
    run.refresh_from_db()
    return walk_of(flow_of(run.revision), list(run.results.order_by("pk"))).current


# Moving to a newer revision


def newer(procedure: Procedure, by: User, second: User, old: str, new: str) -> Revision:
    assert old in builders.HORN_TEXT
    revision = publishing.start_draft(builders.flow_from(builders.HORN_TEXT.replace(old, new)), by=by, at=NOW)
    return publishing.publish(revision, by=second, at=NOW)


def test_a_job_keeps_its_revision_until_it_is_moved(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    old = run.revision
    newest = newer(horn, senior, second, "Press three times.", "Press four times.")
    follow(run, TO_HORN[:1], junior)
    run.refresh_from_db()
    assert run.revision == old
    assert following.move_to_newest(run, by=junior) == newest
    run.refresh_from_db()
    assert run.revision == newest
    assert way(run) == (("press", "click"),)


def test_moving_keeps_results_whose_keys_still_exist(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    """The outcome ``full`` is called ``good`` in the newer one: the way breaks off there, everything stays stored."""
    follow(run, TO_GROUND, junior)
    newer(horn, senior, second, "full: {label: Full supply", "plenty: {label: Full supply")
    following.move_to_newest(run, by=junior)
    run.refresh_from_db()
    assert (run.state, now(run), way(run)) == (Run.State.UNDER_WAY, "supply", (("press", "click"),))
    assert run.results.count() == 3
    assert causes_named(run_states_of(run.job)) == []
    following.record(run, say(run, "supply", "plenty", "12.4"), by=junior, at=NOW)
    assert now(run) == "ground"


def test_a_run_says_when_it_ended_after_it_was_moved(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    """The newer revision goes on where the old one ended; the next one ends there again."""
    follow(run, (("press", "sounds", ""),), junior)
    ends, goes_on = (
        "sounds: {label: Horn sounds, go: out, note: Not present at the moment.}",
        "sounds: {label: Horn sounds, go: supply}",
    )
    newer(horn, senior, second, ends, goes_on)
    following.move_to_newest(run, by=junior, at=LATER)
    run.refresh_from_db()
    assert (run.state, run.ended_at) == (Run.State.UNDER_WAY, None)
    newer(horn, senior, second, "Press three times.", "Press four times.")
    following.move_to_newest(run, by=junior, at=LATER)
    run.refresh_from_db()
    assert (run.state, run.ended_at) == (Run.State.ENDED, LATER)


def test_a_result_out_of_order_whose_outcome_is_gone_no_longer_counts(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    following.record(run, say(run, "direct", "silent", off_path=True), by=junior, at=NOW)
    newer(horn, senior, second, "silent: {label: Horn stays silent, go", "mute: {label: Horn stays silent, go")
    following.move_to_newest(run, by=junior)
    run.refresh_from_db()
    assert effective_results(flow_of(run.revision), list(run.results.order_by("pk"))) == []


def test_there_must_be_a_newer_one_to_move_to(run: Run, junior: User, second: User) -> None:
    said = "There is no newer published revision to move to."
    with pytest.raises(NotPossible) as refused:
        following.move_to_newest(run, by=junior)
    assert str(refused.value) == said
    publishing.withdraw(run.revision, by=second, at=NOW, why="Wrong.")
    with pytest.raises(NotPossible) as refused:
        following.move_to_newest(run, by=junior)
    assert str(refused.value) == said


def test_a_run_of_a_closed_job_is_not_moved(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    """What a closed job taught rests on its revision."""
    follow(run, TO_HORN[:1], junior)
    closing.close_job(run.job, Job.Disposition.DECLINED, by=junior, at=NOW)
    newer(horn, senior, second, "Press three times.", "Press four times.")
    with pytest.raises(NotPossible) as refused:
        following.move_to_newest(run, by=junior)
    assert str(refused.value) == f"Job {run.job_id} is closed; nothing more can be recorded on it."


def test_a_run_that_was_left_is_not_moved(run: Run, horn: Procedure, junior: User, senior: User, second: User) -> None:
    following.stop_run(run, by=junior, at=NOW, why="Lunch.")
    newer(horn, senior, second, "Press three times.", "Press four times.")
    with pytest.raises(NotPossible) as refused:
        following.move_to_newest(run, by=junior)
    assert str(refused.value) == "This procedure was left: Lunch. Start it again from the job."


def test_a_run_stopped_for_safety_may_move_to_what_replaced_it(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    follow(run, TO_HORN[:1], junior)
    publishing.withdraw(run.revision, by=second, at=NOW, why="Dangerous.", for_safety=True)
    newest = newer(horn, senior, second, "Press three times.", "Stand clear, press three times.")
    assert following.move_to_newest(run, by=junior) == newest
    follow(run, TO_HORN[1:], junior)
    assert now(run) == ""


def test_a_step_met_again_on_another_way_does_not_undo_the_turn_to_it(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    """Both ways lead to ``supply``. It was answered on the way that was left, so its other answer there is no turn."""
    joined = "silent: {label: Nothing to be heard, go: supply}"
    newer(horn, senior, second, "silent: {label: Nothing to be heard, go: hand-over horn-control}", joined)
    following.move_to_newest(run, by=junior)
    given = follow(run, [("press", "silent", ""), ("supply", "weak", "7"), ("press", "click", "")], junior)
    given += follow(run, [("supply", "full", "12.5")], junior, at=LATER)
    assert way(run) == (("press", "click"), ("supply", "full"))
    assert set(run.results.effective()) == {given[2], given[3]}
