"""The library: found by system, vehicle and what proved right; a procedure's page says what has changed in its jobs."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.evidence import learning
from shopkb.evidence.recent_evidence import last_proven, recent_evidence
from shopkb.jobs.actions import closing
from shopkb.jobs.models import Job, Verification
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests import builders
from tests.builders import TO_GROUND, follow, mend
from tests.conftest import NOW
from tests.markup import one_line

GROUND = "body/horn/earth#high resistance"


@pytest.fixture
def proven(horn: Procedure, junior: User) -> Procedure:
    """One closed job, a bad ground."""
    job = builders.take_in(junior, platform=Platform.objects.get(path="curlew/dunlin"))
    follow(builders.start(job, horn, junior), TO_GROUND, junior)
    mend(job, junior, cause=("body/horn/earth", "high resistance"), cured=Verification.Cured.YES)
    closing.close_job(job, Job.Disposition.CURED, by=junior, at=NOW)
    return horn


def test_what_proved_right_last_is_shown_and_searched(client: Client, proven: Procedure, junior: User) -> None:
    client.force_login(junior)
    page = client.get(reverse("procedures:list")).content.decode()
    assert "last time: earth: high resistance" in page
    found = client.get(reverse("procedures:list"), {"words": "bad earth"}).content.decode()
    assert "proved right before: earth: high resistance" in found
    assert client.get(reverse("procedures:list"), {"words": "zebra"}).content.decode().count("proved right") == 0


def test_a_system_and_a_vehicle_narrow_the_list(client: Client, proven: Procedure, junior: User) -> None:
    client.force_login(junior)

    def shown(**asked: str) -> bool:
        return (
            proven.title in client.get(reverse("procedures:list"), asked).content.decode().partition('id="offers"')[2]
        )

    assert shown(system="body")
    assert shown(system="body/horn", platform="curlew")
    assert not shown(system="cooling")
    assert not shown(system="bod")


def test_the_page_says_what_proved_right_and_that_nothing_stands_out(
    client: Client, proven: Procedure, junior: User
) -> None:
    client.force_login(junior)
    page = client.get(reverse("procedures:procedure", args=[proven.key])).content.decode()
    assert "What proved right last, and what has changed" in page
    assert "Earth: high resistance" in page


def tally(outcome: str, cause: str, month: str, jobs: int, step: str = "supply") -> dict[TallyKey, TallySums]:
    platform = "curlew/dunlin"
    proof = "measured" if cause else ""
    return {
        TallyKey("horn-silent", step, outcome, cause, proof, platform, month): TallySums(count=jobs),
        TallyKey("horn-silent", "", "", cause, proof, platform, month): TallySums(count=jobs),
    }


def test_a_branch_whose_success_fell_is_told(client: Client, horn: Procedure, junior: User) -> None:
    """Right in 20 of 20 jobs two years ago, in 0 of 20 now: whatever the test, that is another branch."""
    flow = flow_of(horn.revisions.get(state="published"))
    now = timezone.localdate()
    before, today = f"{now.year - 2}-{now.month:02d}", f"{now.year}-{now.month:02d}"
    learning.add_evidence(tally("absent", "body/horn/relay#burnt contacts", before, 20))
    learning.add_evidence(tally("absent", "body/horn/horn#open circuit", today, 20))
    found = recent_evidence(flow, "", today)
    assert [(one.step, one.outcome, one.fallen) for one in found.drift.branches] == [("supply", "absent", True)]
    assert [one.cause for one in found.proven] == ["body/horn/horn#open circuit", "body/horn/relay#burnt contacts"]
    client.force_login(junior)
    page = client.get(reverse("procedures:procedure", args=[horn.key])).content.decode()
    assert "Right less often than before: 0 of 20 in the last 6 months, 20 of 20 earlier." in page
    assert "in another order" not in page


def test_a_new_revision_is_named_beside_what_has_changed(
    client: Client, horn: Procedure, senior: User, second: User
) -> None:
    """Another order of the steps changes by itself who comes to a branch."""
    test_a_branch_whose_success_fell_is_told(client, horn, senior)
    builders.put_in_force(builders.HORN_TEXT.replace("Press the button and listen", "Press it, listen"), senior, second)
    page = one_line(client.get(reverse("procedures:procedure", args=[horn.key])).content.decode())
    assert "Right less often than before: 0 of 20 in the last 6 months" in page
    assert "Where it asks in another order than the one before" in page


def test_a_procedure_that_nobody_follows_any_more_is_said_to_be_unused(horn: Procedure) -> None:
    flow = flow_of(horn.revisions.get(state="published"))
    assert (recent_evidence(flow, "", "2026-11").followed, recent_evidence(flow, "", "2026-11").unused) == ("", False)
    learning.add_evidence(tally("absent", GROUND, "2026-01", 3))
    assert (recent_evidence(flow, "", "2026-11").followed, recent_evidence(flow, "", "2026-11").unused) == (
        "2026-01",
        True,
    )
    assert not recent_evidence(flow, "", "2026-05").unused
    assert [(one.cause, one.jobs) for one in last_proven()["horn-silent"]] == [(GROUND, 3)]


def test_what_came_back_lately_is_counted(horn: Procedure) -> None:
    flow = flow_of(horn.revisions.get(state="published"))
    key = TallyKey("horn-silent", "", "", GROUND, "", "curlew/dunlin", "2026-10")
    learning.add_evidence({key: TallySums(came_back=2)})
    assert recent_evidence(flow, "", "2026-11").came_back == 2
    assert recent_evidence(flow, "", "2027-11").came_back == 0
