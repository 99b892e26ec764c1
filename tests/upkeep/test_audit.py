"""Who did what is noted, whichever page or command did it; it never changes, and a keeper can read and export it."""

from __future__ import annotations

import csv
import io
import json
import uuid
from pathlib import Path

import pytest
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from shopkb.accounts import audit, second_factor
from shopkb.accounts.models import AuditRecord, User
from shopkb.accounts.pins import set_pin
from shopkb.catalog import wordings
from shopkb.catalog.models import Caution, Proposal
from shopkb.jobs.actions import noting
from shopkb.jobs.models import JobReading
from shopkb.procedures import publishing, safety_words
from shopkb.procedures.models import Procedure
from tests import builders
from tests.accounts.test_signing_in import LIMIT, sign_in
from tests.builders import signed_in
from tests.conftest import NOW

pytestmark = pytest.mark.django_db


def lines(action: str) -> list[tuple[str, str]]:
    return list(AuditRecord.objects.filter(action=action).order_by("pk").values_list("who", "what"))


def test_signing_in_and_out_and_what_was_refused(junior: User) -> None:
    client = Client()
    sign_in(client, "junior", "wrong")
    sign_in(client, "junior", "junior-knows-it")
    client.get("/figures/")
    client.post(reverse("logout"))
    assert lines("sign-in-refused") == [("junior", "")]
    assert lines("signed-in") == [("junior", "with a password")]
    ((who, what),) = lines("refused")
    assert who == "junior"
    assert what.startswith("GET /figures/: Your role does not let you see the shop's figures")
    assert lines("signed-out") == [("junior", "")]
    assert {row.address for row in AuditRecord.objects.filter(action="signed-in")} == {"10.0.0.7"}


def test_what_was_typed_as_a_secret_is_nowhere(junior: User) -> None:
    sign_in(Client(), "junior", "a secret word")
    assert not any("secret word" in f"{row.who}{row.what}" for row in AuditRecord.objects.all())


def test_a_lock_is_noted_and_refusals_do_not_fill_the_disk(junior: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit, "MOST_A_MINUTE", 8)
    for _ in range(LIMIT):
        sign_in(Client(), "junior", "wrong")
    assert lines("locked-out") == [("junior", "")]
    for number in range(2 * audit.MOST_A_MINUTE):
        sign_in(Client(), f"nobody-{number}", "wrong", "10.0.0.9")
    noted = AuditRecord.objects.filter(address="10.0.0.9").count()
    assert audit.MOST_A_MINUTE <= noted <= 2 * audit.MOST_A_MINUTE, "sixty within two minutes of the clock"


def test_a_pin_and_a_change_of_hands(junior: User, senior: User) -> None:
    set_pin(senior, "806152")
    client = Client()
    client.post(reverse("login"), {"username": "junior", "password": "junior-knows-it", "shared": "on"})
    client.post(reverse("switch"), {"username": "senior", "pin": "806152"})
    assert lines("signed-in") == [("junior", "with a password"), ("senior", "with a PIN")]
    assert lines("secrets") == [("", "senior: PIN")]


def test_changes_of_people_name_who_made_them(keeper: User, junior: User) -> None:
    client = signed_in(keeper)
    page = reverse("admin:accounts_user_change", args=[junior.pk])
    given = {"username": "junior", "called": "Junior", "role": "manager", "is_active": "on"}
    shown = client.get(page)
    form = shown.context["adminform"].form
    given |= {name: form.initial.get(name) or "" for name in ("first_name", "last_name", "email")}
    given |= {"date_joined_0": "2026-01-01", "date_joined_1": "00:00:00", "last_login_0": "", "last_login_1": ""}
    assert client.post(page, given).status_code == 302
    assert lines("rights") == [("keeper", "junior: role technician to manager")]
    client.post(reverse("admin:accounts_user_changelist"), {"action": "take_pin_away", "_selected_action": [junior.pk]})
    User.objects.create_user("new", role="technician")
    assert ("", "new made, technician") in lines("person")


def test_publications_and_safety_words(horn: Procedure, senior: User, second: User) -> None:
    AuditRecord.objects.all()
    caution = Caution.objects.get(key="probe-terminals")
    done = wordings.change(caution, {"text": "Mind it well."}, by=senior, why="Clearer.")
    assert isinstance(done, Proposal)
    safety_words.confirm(done, by=second, at=NOW)
    assert lines("words-proposed") == [("senior", "caution probe-terminals: Clearer.")]
    assert lines("words-confirmed") == [("second", "caution probe-terminals, proposed by senior: confirmed")]
    revision = publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    publishing.ask_for_review(revision, by=senior)
    publishing.send_back(revision, by=second, at=NOW, why="Limit?")
    publishing.publish(revision, by=second, at=NOW)
    publishing.withdraw(revision, by=second, at=NOW, why="Wrong limit.", for_safety=True)
    assert lines("sent-back") == [("second", "horn-silent, revision 2")]
    assert lines("published")[-1] == ("second", "horn-silent, revision 2")
    assert lines("withdrawn") == [("second", "horn-silent, revision 2 for safety: Wrong limit.")]


def test_second_factors(senior: User, keeper: User) -> None:
    second_factor.new_recovery_codes(senior)
    secret = second_factor.new_secret()
    import pyotp

    second_factor.set_up(senior, secret, pyotp.TOTP(secret).at(NOW), at=NOW)
    action = {"action": "take_second_factor_away", "_selected_action": [senior.pk]}
    signed_in(keeper).post(reverse("admin:accounts_user_changelist"), action)
    assert lines("secrets") == [
        ("senior", "senior: second factor set"),
        ("keeper", "senior: second factor taken away"),
    ]


def test_the_database_itself_keeps_it(junior: User) -> None:
    audit.note(audit.Action.RESTORED, "x")
    for change in (lambda: AuditRecord.objects.update(who="me"), lambda: AuditRecord.objects.all().delete()):
        with pytest.raises(DatabaseError, match="never changed or deleted"), transaction.atomic():
            change()


def test_a_keeper_filters_pages_and_exports(keeper: User, manager: User) -> None:
    for number in range(130):
        audit.note(audit.Action.PUBLISHED, f"number {number}", name="=cmd")
    client = signed_in(keeper)
    page = client.get(reverse("upkeep:audit"), {"action": "published"})
    assert "number 129" in page.content.decode()
    assert "number 29<" not in page.content.decode()
    older = client.get(reverse("upkeep:audit"), {"action": "published", "before": page.context["older"]})
    assert "number 29<" in older.content.decode()
    assert "Nothing of that kind" in client.get(reverse("upkeep:audit"), {"since": "2999-01-01"}).content.decode()
    assert signed_in(manager).get(reverse("upkeep:audit")).status_code == 403
    file = client.get(reverse("upkeep:audit-file"), {"action": "published"})
    text = b"".join(file.streaming_content).decode("utf-8-sig")  # type: ignore[attr-defined]
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(rows) == 130
    assert (rows[0]["who"], rows[0]["what"]) == ("'=cmd", "number 0")
    assert lines("exported") == [("keeper", "action=published")]


@pytest.mark.parametrize("odd", ["0001-01-01", "9999-12-31", "2026-13-45", "x", "-1"])
def test_odd_days_leave_everything(keeper: User, odd: str) -> None:
    asked = {"since": odd, "until": odd, "action": odd, "before": odd}
    assert signed_in(keeper).get(reverse("upkeep:audit"), asked).status_code == 200


def test_the_command(junior: User, tmp_path: Path) -> None:
    audit.note(audit.Action.PUBLISHED, "horn", name="senior")
    out = io.StringIO()
    call_command("audit_log", json=True, action="published", stdout=out)
    assert json.loads(out.getvalue())["what"] == "horn"
    out = io.StringIO()
    call_command("audit_log", who="senior", stdout=out)
    assert out.getvalue().splitlines()[0] == "time,action,who,what,address"
    with pytest.raises(CommandError) as refused:
        call_command("audit_log", since="yesterday")
    assert refused.value.returncode == 2


def test_every_page_that_shows_a_job_is_counted(horn: Procedure, junior: User, senior: User) -> None:
    """The paper of a job, its repair, a finding on it: by whichever address."""
    job = builders.cured_job(horn, junior)
    run, repair = job.runs.get(), job.repairs.get()
    finding = noting.note_finding(
        builders.take_in(junior), "Oil below.", by=junior, at=NOW, client_id=uuid.uuid4()
    )  # fmt: skip
    for name, arguments in {
        "jobs:paper": [job.pk, "write-up"], "jobs:verify": [repair.pk],
        "jobs:pack-repair": [run.pk], "jobs:pack-verify": [run.pk], "jobs:pack-end": [run.pk],
        "jobs:pack-finding": [run.pk],
        "jobs:finding": [finding.pk], "jobs:note-finding": [finding.job_id],
    }.items():  # fmt: skip
        JobReading.objects.all().delete()
        cache.clear()
        assert signed_in(senior).get(reverse(name, args=arguments)).status_code == 200, name
        expected = finding.job_id if name in {"jobs:finding", "jobs:note-finding"} else job.pk
        assert list(JobReading.objects.values_list("job_id", "who")) == [(expected, senior.pk)], name


@pytest.mark.parametrize("asked", ["registration", "vin"])
def test_looking_up_a_vehicle_while_booking_in_is_counted(
    horn: Procedure, junior: User, senior: User, asked: str
) -> None:
    job = builders.take_in(junior, registration="SB 7", vin="1M8GDM9AXKP042788")
    typed = {"registration": "sb7"} if asked == "registration" else {"vin": "1m8gdm9axkp042788"}
    client = signed_in(senior)
    for _twice in range(2):
        assert client.get(reverse("jobs:known"), typed).status_code == 200
    assert client.get(reverse("jobs:known"), {"registration": "SB 8"}).status_code == 200
    assert client.get(reverse("jobs:known")).status_code == 200
    assert list(JobReading.objects.values_list("job_id", "who")) == [(job.pk, senior.pk)]


def test_who_read_a_vehicles_jobs_is_counted(horn: Procedure, junior: User, senior: User, keeper: User) -> None:
    job = builders.cured_job(horn, junior)
    run = job.runs.get()
    reader, other = signed_in(senior), signed_in(junior)
    for _twice in range(2):
        for name, pk in (("jobs:job", job.pk), ("jobs:write-up", job.pk), ("jobs:run", run.pk), ("jobs:more", run.pk)):
            assert reader.get(reverse(name, args=[pk])).status_code == 200
    other.get(reverse("jobs:technical", args=[job.pk]))
    signed_in(keeper).get(reverse("jobs:job", args=[job.pk + 99]))
    assert JobReading.objects.count() == 2
    page = signed_in(keeper).get(reverse("upkeep:readers"), {"registration": job.vehicle.registration.lower()})
    assert [(row.who, row.jobs, row.days) for row in page.context["readers"]] == [("junior", 1, 1), ("senior", 1, 1)]
    out = io.StringIO()
    call_command("audit_log", readers=job.vehicle.registration, json=True, stdout=out)
    assert [json.loads(line)["who"] for line in out.getvalue().splitlines()] == ["junior", "senior"]
