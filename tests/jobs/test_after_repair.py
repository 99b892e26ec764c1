"""What the pages of a job ask for once a repair is recorded: to verify it, then to close the job."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.jobs.actions import noting, repairing
from shopkb.jobs.models import Run, Verification
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, follow, mend, signed_in, words_of
from tests.conftest import NOW

PRIMARY = re.compile(r'<(a|button)[^>]*class="(?:button )?primary"[^>]*>\s*([^<]*?)\s*<')
ADVICE = ("Still possible", "Next:", "Go on:", "sooner", "Causes reached")


@pytest.fixture
def second_repair(horn: Procedure, junior: User) -> Run:
    """A run whose end was repaired in vain, and another cause repaired after it and not verified yet."""
    run = builders.start(builders.take_in(junior), horn, junior)
    last = follow(run, TO_GROUND, junior)[-1]
    mend(run.job, junior, result=last, cause=("body/horn/earth", "high resistance"), cured=Verification.Cured.NO)
    mend(run.job, junior, cause=("body/horn/relay", "burnt contacts"), cured=None)
    return run


@pytest.fixture
def client(second_repair: Run, junior: User) -> Client:
    return signed_in(junior)


def cure(run: Run, by: User) -> None:
    repair = run.job.repairs.latest("pk")
    repairing.verify_repair(repair, Verification.Cured.YES, how="Ten times.", by=by, at=NOW, client_id=uuid.uuid4())


def primaries(client: Client, name: str, *args: object) -> list[str]:
    page = client.get(reverse(f"jobs:{name}", args=args)).content.decode()
    main = page[page.index("<main") : page.index("</main>")]
    return [words for _tag, words in PRIMARY.findall(main)]


def test_a_repair_not_verified_yet_is_verified_next(client: Client, second_repair: Run) -> None:
    assert primaries(client, "job", second_repair.job_id) == ["Verify the cure"]
    assert primaries(client, "run", second_repair.pk) == ["Verify the cure"]
    assert primaries(client, "step", second_repair.pk, "press") == ["Verify the cure"]


def test_once_cured_the_job_is_closed_and_nothing_is_advised(client: Client, second_repair: Run, junior: User) -> None:
    cure(second_repair, junior)
    job = words_of(client.get(reverse("jobs:job", args=[second_repair.job_id])))
    assert primaries(client, "job", second_repair.job_id) == ["Close the job"]
    assert job.index("Cured. Close the job") < job.index("Vehicle")
    for name, *args in (("run", second_repair.pk), ("step", second_repair.pk, "press")):
        assert primaries(client, name, *args) == ["Close the job"]
    for name, *args in (
        ("job", second_repair.job_id), ("run", second_repair.pk), ("step", second_repair.pk, "press"),
    ):  # fmt: skip
        words = words_of(client.get(reverse(f"jobs:{name}", args=args)))
        assert not [said for said in ADVICE if said in words], name


def test_a_run_left_in_the_middle_says_it_too(horn: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    follow(run, TO_GROUND[:1], junior)
    mend(run.job, junior, at=NOW + timedelta(minutes=5))
    client = signed_in(junior)
    assert primaries(client, "run", run.pk) == ["Close the job"]
    assert "Go on" not in words_of(client.get(reverse("jobs:job", args=[run.job_id])))
    assert "Still possible" not in words_of(client.get(reverse("jobs:run", args=[run.pk])))


def test_an_open_finding_stands_before_closing(client: Client, second_repair: Run, junior: User) -> None:
    cure(second_repair, junior)
    noting.note_finding(second_repair.job, "Bulb blown", by=junior, at=NOW, client_id=uuid.uuid4())
    assert primaries(client, "job", second_repair.job_id) == ["Deal with the other fault"]


def test_a_procedure_begun_after_the_cure_goes_on(
    client: Client, second_repair: Run, horn: Procedure, junior: User
) -> None:
    cure(second_repair, junior)
    builders.start(second_repair.job, horn, junior, at=NOW + timedelta(hours=1))
    assert [words.split(":")[0] for words in primaries(client, "job", second_repair.job_id)] == ["Go on"]


def answer_aside(client: Client, run: Run, step: str, outcome: str, typed: str = "") -> str:
    """Where the page goes on after this answer out of order."""
    sent = {"client_id": str(uuid.uuid4()), "outcome": outcome, "typed": typed, "off_path": "yes"}
    return client.post(reverse("jobs:answer", args=[run.pk, step]), sent).headers["Location"]


def test_an_answer_out_of_order_opens_what_its_button_promised(horn: Procedure, junior: User) -> None:
    """The next step, then the repair of the cause that was named; what is done already is not opened again."""
    run, client = builders.start(builders.take_in(junior), horn, junior), signed_in(junior)
    last = follow(run, [TO_GROUND[0], ("supply", "weak", "7.0")], junior)[-1]
    mend(run.job, junior, result=last, cause=("body/horn/relay", "burnt contacts"), cured=Verification.Cured.NO)
    assert answer_aside(client, run, "ground", "good", "0.05") == reverse("jobs:step", args=[run.pk, "direct"])
    to = answer_aside(client, run, "direct", "silent")
    assert to == f"{reverse('jobs:repair', args=[run.job_id])}?result={run.results.latest('pk').pk}"
    page = words_of(client.get(to))
    assert "Horn: open circuit" in page
    assert answer_aside(client, run, "ground", "good", "0.06") == reverse("jobs:run", args=[run.pk])


def test_a_cured_fault_beside_cures_no_complaint(horn: Procedure, junior: User) -> None:
    run, client = builders.start(builders.take_in(junior), horn, junior), signed_in(junior)
    follow(run, TO_GROUND[:1], junior)
    finding = noting.note_finding(run.job, "Bulb blown", by=junior, at=NOW, client_id=uuid.uuid4())
    repair = mend(run.job, junior, cause=("body/horn/relay", "burnt contacts"), at=NOW + timedelta(minutes=5))
    noting.settle_finding(
        finding, noting.How.REPAIRED, by=junior, at=NOW, client_id=uuid.uuid4(), repair=repair
    )  # fmt: skip
    assert [words.split(":")[0] for words in primaries(client, "job", run.job_id)] != ["Close the job"]
    closing = words_of(client.get(reverse("jobs:job", args=[run.job_id])))
    assert "Cured. Close the job" not in closing
    mend(run.job, junior, cause=("body/horn/horn", "open circuit"), at=NOW + timedelta(minutes=9))
    assert primaries(client, "job", run.job_id) == ["Close the job"]
