"""What anybody may put on a job or a run, and is never removed, ends somewhere, in words."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any

import pytest

from shopkb.accounts.models import User
from shopkb.core.flow.model import Proof
from shopkb.jobs.actions import following, handing_over, repairing
from shopkb.jobs.actions.receiving import receive
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import HandOver, LateValue, Repair, Result, Run, Verification
from shopkb.procedures.models import Procedure
from tests import builders
from tests.conftest import NOW


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> int:
    """The same bounds, small; each door takes its own as it was imported."""
    for door in ("repairing", "following", "handing_over", "receiving"):
        module = f"shopkb.jobs.actions.{door}"
        for name in ("KEPT_ASIDE", "REPAIRS", "CHECKS", "RUNS", "TAKE_OVERS"):
            monkeypatch.setattr(f"{module}.{name}", 3, raising=False)
    return 3


def put(door: Callable[[], Any], times: int) -> str:
    """Through this door so many times, and once more, which is refused; the words why."""
    for _ in range(times):
        door()
    with pytest.raises(NotPossible) as refused:
        door()
    return str(refused.value)


def sent_late(run: Run, by: User, **more: str) -> Callable[[], Any]:
    return lambda: receive(run, {"client_id": str(uuid.uuid4()), "note": "n" * 2000, **more}, by=by, at=NOW)


def test_answers_and_values_of_somebody_who_does_not_hold_the_run(
    run: Run, senior: User, junior: User, few: int
) -> None:
    assert run.holder_id == junior.pk
    before = run.events.count()
    why = put(sent_late(run, senior, kind="answer", step="press", outcome="click"), few)
    assert why == (
        "Answers of yours that came too late: 3 are as many as can be kept here. Speak to whoever runs the tool."
    )
    put(sent_late(run, senior, kind="value", key="battery", typed="12.1"), few)
    assert Result.objects.late().count() == LateValue.objects.count() == few
    assert run.events.count() == before + 3 * few


def test_an_answer_sent_again_gets_its_receipt_though_there_is_no_more_room(run: Run, senior: User, few: int) -> None:
    item = {"client_id": str(uuid.uuid4()), "kind": "answer", "step": "press", "outcome": "click"}
    first = receive(run, item, by=senior, at=NOW)
    put(sent_late(run, senior, kind="answer", step="press", outcome="click"), few - 1)
    assert receive(run, item, by=senior, at=NOW) == first


def test_the_holder_goes_on_though_others_have_filled_their_room(
    run: Run, senior: User, junior: User, few: int
) -> None:
    put(sent_late(run, senior, kind="answer", step="press", outcome="click"), few)
    assert sent_late(run, junior, kind="answer", step="press", outcome="click")().counts


def test_repairs_checks_runs_and_take_overs(run: Run, horn: Procedure, senior: User, junior: User, few: int) -> None:
    cause = builders.cause_for("body/horn/horn", "open circuit")

    def mended() -> Repair:
        details = repairing.RepairDetails(cause, Proof.MEASURED, "New horn.", uuid.uuid4())
        return repairing.record_repair(run.job, details, by=senior, at=NOW)

    assert put(mended, few).startswith("Repairs on this job: 3")
    repair = Repair.objects.first()
    assert repair is not None
    once = {"how": "Blown.", "by": senior, "at": NOW}
    put(lambda: repairing.verify_repair(repair, Verification.Cured.NO, **once, client_id=uuid.uuid4()), few)
    start = {"by": senior, "at": NOW}
    put(lambda: following.start_run(run.job, horn, **start, client_id=uuid.uuid4()), few - 1)

    def taken_to_and_fro() -> None:
        handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
        handing_over.take_over(run, by=junior, at=NOW, client_id=uuid.uuid4())

    put(taken_to_and_fro, few)
    assert HandOver.objects.count() == 2 * few
