"""What the service does every day: when, what is kept of it, and what people and monitors are told."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.core.management import call_command
from django.db.backends.base.base import BaseDatabaseWrapper
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.hosting import scheduled
from shopkb.hosting.scheduled import NotDone, TaskOutcome, is_due
from shopkb.upkeep import archive
from tests.upkeep.places import unguarded

EVENING = datetime.fromisoformat("2026-03-02T18:30:00+00:00")
NOON = datetime.fromisoformat("2026-03-02T12:00:00+00:00")
pytestmark = pytest.mark.django_db


def said(body: bytes) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", body.decode()).split())


@pytest.mark.parametrize(
    ("last", "now", "due"),
    [
        (None, NOON, True),
        (EVENING - timedelta(days=1), EVENING, True),
        (EVENING - timedelta(days=1), NOON, False),
        (EVENING - timedelta(hours=2), EVENING, False),
        (NOON - timedelta(hours=31), NOON, True),
    ],
    ids=["never", "each evening", "not at noon", "once an evening", "at noon where the evening was missed"],
)
def test_when_it_is_due(last: datetime | None, now: datetime, due: bool) -> None:
    assert is_due(last, now) is due


def work(done: list[str], key: str, failing: bool = False) -> tuple[str, Callable[[], str]]:
    def do() -> str:
        done.append(key)
        if failing:
            raise NotDone("The disk is full.")
        return f"{key} is done."

    return scheduled.WORK[key][0], do


@pytest.fixture
def done(place: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The order in which pieces of work were done; the copy fails."""
    done: list[str] = []
    pieces = {key: work(done, key, failing=key == "second") for key in scheduled.WORK}
    monkeypatch.setattr(scheduled, "WORK", pieces)
    return done


def test_one_that_fails_keeps_none_of_the_others_from_being_done(done: list[str], settings: Any) -> None:
    settings.SECOND_BACKUP = "/mnt/disk"
    scheduled.do_all()
    assert done == ["backup", "second", "verify", "fits", "scores", "sign-ins"]
    held = scheduled.outcomes()
    assert {key: told.ok for key, told in held.items()} == {key: key != "second" for key in done}
    assert held["second"].said == "The disk is full."
    assert held["verify"].when <= timezone.now()


def test_without_a_second_place_nothing_is_copied(done: list[str], settings: Any) -> None:
    settings.SECOND_BACKUP = ""
    scheduled.do_all()
    assert done == ["backup", "verify", "fits", "scores", "sign-ins"]


def test_sign_ins_that_have_run_out_are_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    """A shop's tablets sign in several times a day, for years."""
    monkeypatch.setattr(scheduled, "_command", lambda *words: call_command(*words) or "")
    for name, days in (("old", -1), ("new", 1)):
        Session.objects.create(session_key=name, session_data="", expire_date=timezone.now() + timedelta(days=days))
    scheduled.WORK["sign-ins"][1]()
    assert list(Session.objects.values_list("session_key", flat=True)) == ["new"]


@pytest.mark.parametrize("body", ["", "{", "[]", '{"verify": {"at": 3}}', '{"other": {}}'])
def test_a_file_that_cannot_be_read_is_as_if_nothing_was_done_yet(place: Path, body: str) -> None:
    (place / "scheduled.json").write_text(body)
    assert scheduled.outcomes() == {}


def test_a_command_tells_its_last_line_or_why_not(place: Path) -> None:
    """In a process of its own, on a folder without tables."""
    with pytest.raises(NotDone, match="has no tables yet"):
        scheduled._command("check_flows", "flows")
    assert scheduled._command("flow_schema").strip() == "}"


@pytest.mark.django_db(transaction=True)
def test_the_copy_in_the_second_place_is_read_there(
    place: Path, tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())
    settings.SECOND_BACKUP = str(tmp_path / "other")
    with pytest.raises(NotDone, match=r"There is no backup to copy yet\."):
        scheduled.second_copy()
    made = archive.make(settings.BACKUP_DIR, timezone.now())
    with pytest.raises(NotDone, match=r"is not there\. Is the disk in"):
        scheduled.second_copy()
    (tmp_path / "other").mkdir()
    told = scheduled.second_copy()
    copied = tmp_path / "other" / made.path.name
    assert told == f"{copied}, read again there."
    assert archive.read(copied).tables == made.tables
    assert [path.name for path in (tmp_path / "other").iterdir()] == [made.path.name]
    if os.name == "posix":
        assert copied.stat().st_mode & 0o077 == 0, "customers' vehicles are in it"


def test_a_fault_of_the_program_ends_one_piece_of_work_and_not_the_next(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def faulty() -> str:
        raise ValueError("no such moment")

    work = {"backup": ("Backup", faulty), "verify": ("Every law", lambda: "Well.")}
    monkeypatch.setattr(scheduled, "WORK", work)
    scheduled.do_all()
    told = scheduled.outcomes()
    assert (told["backup"].ok, told["backup"].said) == (False, "A fault of the program: no such moment")
    assert told["verify"].ok


def test_work_that_has_stopped_is_told_and_a_time_without_a_zone_harms_nothing(place: Path) -> None:
    now = timezone.now()
    for ended, words in ((now - timedelta(days=4), True), (now - timedelta(hours=2), False)):
        scheduled._keep("fits", TaskOutcome(ended.replace(tzinfo=None).isoformat(), True, "Well."))
        assert ("nothing done by itself for days" in scheduled.troubles(now)) is words


@pytest.mark.parametrize(
    ("failed", "old", "words"),
    [
        ([], False, []),
        ([], True, ["backup old"]),
        (["verify"], False, ["verify found something"]),
        (["backup", "second"], True, ["backup old", "backup failed", "second backup failed"]),
        (["fits"], False, []),
    ],
)
def test_what_a_monitor_is_told(
    place: Path, client: Client, settings: Any, failed: list[str], old: bool, words: list[str]
) -> None:
    settings.SECOND_BACKUP = "/mnt/disk"
    now = timezone.now()
    made = now - timedelta(days=4 if old else 0)
    settings.BACKUP_DIR.mkdir(exist_ok=True)
    (settings.BACKUP_DIR / f"shopkb-{made:%Y%m%dT%H%M%SZ}.zip").touch()
    for key in scheduled.WORK:
        scheduled._keep(key, TaskOutcome(now.isoformat(), key not in failed, "Said."))
    told = client.get("/health/").json()
    assert (told["ok"], told["troubles"]) == (True, words)


def test_a_shop_whose_work_is_done_by_timers_is_told_nothing(place: Path, client: Client) -> None:
    assert client.get("/health/").json()["troubles"] == []


def test_a_keeper_sees_what_was_done_and_has_it_done_now(
    place: Path, client: Client, keeper: User, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.PLAIN_PORT = 8000
    client.force_login(keeper)
    scheduled._keep("backup", TaskOutcome(timezone.now().isoformat(), True, "14 rows."))
    scheduled._keep("verify", TaskOutcome(timezone.now().isoformat(), False, "Broken: tallies."))
    page = said(client.get(reverse("hosting:by-itself")).content)
    assert "Well. 14 rows." in page and "Not done. Broken: tallies." in page
    assert "There is no second place for backups" in page
    asked: list[bool] = []
    monkeypatch.setattr(scheduled, "ask", lambda: asked.append(True))
    assert client.post(reverse("hosting:by-itself")).status_code == 302
    assert asked == [True]


def places(place: Path) -> dict[str, tuple[str, str]]:
    return {
        "none": (str(place / "nowhere"), "There is no such folder"),
        "relative": ("backups", "There is no such folder"),
        "own": (str(place), "would be lost with it"),
        "backups": (str(place.parent / "kept"), "would be lost with it"),
    }


@pytest.mark.parametrize("case", ["none", "relative", "own", "backups"])
def test_a_second_place_that_will_not_do_is_refused(
    place: Path, client: Client, keeper: User, settings: Any, case: str
) -> None:
    settings.BACKUP_DIR = place.parent / "kept"
    settings.BACKUP_DIR.mkdir(exist_ok=True)
    typed, words = places(place)[case]
    client.force_login(keeper)
    sent = {"shop_name": "A", "time_zone": "UTC", "distance_unit": "km", "hourly_rate": 80, "currency": "€"}
    answer = client.post(reverse("hosting:choices"), {**sent, "second_backup": typed})
    assert answer.status_code == 422
    assert words in said(answer.content)
    assert not (place / "choices.json").exists()


def test_a_second_place_that_is_out_just_now_keeps_nobody_from_another_choice(
    place: Path, client: Client, keeper: User, settings: Any
) -> None:
    settings.SECOND_BACKUP = str(place.parent / "unplugged")
    client.force_login(keeper)
    sent = {"shop_name": "B", "time_zone": "UTC", "distance_unit": "km", "hourly_rate": 80, "currency": "€"}
    answer = client.post(reverse("hosting:choices"), {**sent, "second_backup": settings.SECOND_BACKUP})
    assert answer.status_code == 302
    assert "unplugged" in (place / "choices.json").read_text()
