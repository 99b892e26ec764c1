"""The demo command as people start it: in a process of its own, in a folder of its own."""

from __future__ import annotations

import json
import os
import re
import socket
import sqlite3
import stat
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection
from django.utils import timezone
from pytest_django import Settings

from shopkb.demo.editions import earlier_flows, edition_path, read_file
from shopkb.demo.management.commands.demo import _state
from shopkb.demo.models import DemoMark
from shopkb.demo.simulator import ShopSimulator
from shopkb.demo.world import MONTH
from tests.conftest import ROOT
from tests.demo.invented import dangers, flows, others, truth
from tests.shelf import CATALOG

pytestmark = pytest.mark.one_database  # each demo is made in a database of its own

JOBS = "60"


def manage(folder: Path, *words: str, **settings: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env=environment(folder, **settings),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def environment(folder: Path, **settings: str) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("SHOPKB_", "DATABASE_URL"))}
    return kept | {"SHOPKB_DATA_DIR": str(folder), "PYTHONUTF8": "1", **settings}


def ask(folder: Path, question: str) -> list[tuple[Any, ...]]:
    held = sqlite3.connect(folder / "demo.sqlite3")
    try:
        return held.execute(question).fetchall()
    finally:
        held.close()


def jobs_in(folder: Path) -> list[tuple[Any, ...]]:
    return ask(folder, "select client_id, complaint, disposition from jobs_job order by id")


def earlier_demo(folder: Path) -> None:
    """As little of a demo as says that it is one, with a table that today's has not. The settings make the folder."""
    subprocess.run([sys.executable, "-c", "import shopkb.settings"], cwd=ROOT, env=environment(folder), check=True)
    held = sqlite3.connect(folder / "demo.sqlite3")
    held.execute("create table demo_demomark (id integer primary key, made_at datetime, seed integer, jobs integer)")
    held.execute("insert into demo_demomark values (1, '2026-01-05 09:00:00', 3, 12)")
    held.execute("create table stamps (name text)")
    held.commit()
    held.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A demo made once, in place of an earlier one, and what was printed."""
    folder = tmp_path_factory.mktemp("demo") / "data"
    earlier_demo(folder)
    done = manage(folder, "demo", "--no-serve", "--jobs", JOBS, "--reset")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return folder, done.stdout


def test_it_says_what_it_makes_and_who_may_come_in(made: tuple[Path, str]) -> None:
    _folder, said = made
    lines = said.splitlines()
    assert lines.pop(0) == "The demo's old database is thrown away."
    assert lines[:2] == ["Making the invented world. This takes about half a minute.", "  Database."]
    assert lines[2].startswith("  Catalog: ")
    assert lines[3] == "  8 people."
    assert re.fullmatch(r"  \d+ procedures in force: .*overheats-fan-silent.*\.", lines[4])
    assert all(re.fullmatch(rf"  \d+ closed jobs of about {JOBS}, \d+ results\.", lines[place]) for place in (5, 7))
    assert lines[6] == "  A new edition of starter-does-not-turn in force."
    assert lines[8:10] == ["  3 open jobs.", "  A draft of brake-lamps-off that waits to be tried."]
    assert "Everything is invented. Log-ins, all with the password withy-saltings:" in lines
    assert "  cuthbert   technician Cuthbert Eelgrass" in lines
    assert lines[-1] == "To begin anew: python manage.py demo --reset"


def test_its_folder_is_for_its_owner_alone(made: tuple[Path, str]) -> None:
    """It holds the customers' vehicles."""
    assert stat.filemode(made[0].stat().st_mode) == "drwx------"


def test_every_role_is_there(made: tuple[Path, str]) -> None:
    roles = dict(ask(made[0], "select role, count(*) from accounts_user group by role"))
    assert set(roles) == {"technician", "writer", "manager", "keeper"}
    assert roles["technician"] >= 3
    assert roles["writer"] >= 2


def test_open_jobs_stand_at_three_points(made: tuple[Path, str]) -> None:
    rows = ask(
        made[0],
        """select u.username, coalesce(v.title, ''), coalesce(r.state, ''), count(x.id)
           from jobs_job j join accounts_user u on u.id = j.opened_by_id
           left join jobs_run r on r.job_id = j.id left join procedures_revision v on v.id = r.revision_id
           left join jobs_result x on x.run_id = r.id where j.state = 'open' group by j.id order by j.id""",
    )
    assert [row[0] for row in rows] == ["cuthbert", "dorcas", "fenella"]
    assert rows[0][1:] == ("Engine overheats and loses coolant, radiator fan does not run", "under-way", 5)
    assert rows[1][2] == "ended"
    assert rows[1][3] > 3
    assert rows[2][1:] == ("", "", 0)


def test_dates_end_now(made: tuple[Path, str]) -> None:
    [(first, last, mark)] = ask(
        made[0], "select min(opened_at), max(opened_at), (select made_at from demo_demomark) from jobs_job"
    )
    assert last <= mark
    [(days,)] = ask(made[0], f"select julianday('{mark}') - julianday('{first}')")
    assert 900 < days <= 1096
    [(late,)] = ask(made[0], "select count(*) from jobs_result, demo_demomark where at > made_at")
    assert late == 0


def test_evidence_is_what_a_rebuild_counts(made: tuple[Path, str]) -> None:
    code = (
        "from shopkb.evidence.learning import kept, total_of; from shopkb.jobs.closed_jobs import closed_cases; "
        "print(kept() == total_of(closed_cases()), len(kept()) > 100)"
    )
    done = manage(made[0], "shell", "--verbosity", "0", "-c", code, SHOPKB_WORLD="demo")
    assert done.stdout.split() == ["True", "True"], done.stderr


def test_compare_truth_as_json(made: tuple[Path, str]) -> None:
    done = manage(made[0], "compare_truth", "--json", "--simulate", "60")
    said = json.loads(done.stdout)
    assert done.returncode in (0, 1)
    assert done.returncode == int(not all(one["enough"] for one in said["coverage"]))
    assert [one["kind"] for one in said["coverage"]] == ["cause", "branch"]
    assert set(said["lines"][0]) == {"kind", "procedure", "what", "true", "learned", "low", "high", "jobs", "inside"}
    assert all(0 <= row["low"] <= row["high"] <= 1 for row in said["lines"])


@pytest.mark.django_db
def test_compare_truth_is_for_the_demo() -> None:
    name = connection.settings_dict["NAME"]
    with pytest.raises(CommandError, match="does not hold the demo") as caught:
        call_command("compare_truth")
    assert caught.value.returncode == 2
    assert str(caught.value) == f"{name} does not hold the demo. Make it with: python manage.py demo"


def changed(made: tuple[Path, str], folder: Path, change: str) -> None:
    """A copy of the demo in a folder of its own, with a change that nobody but a test makes."""
    (folder / "demo.sqlite3").write_bytes((made[0] / "demo.sqlite3").read_bytes())
    held = sqlite3.connect(folder / "demo.sqlite3")
    held.execute(change)
    held.commit()
    held.close()


def test_reset_throws_the_earlier_one_away(made: tuple[Path, str]) -> None:
    assert ask(made[0], "select count(*) from sqlite_master where name = 'stamps'") == [(0,)]
    assert ask(made[0], "select count(*), max(seed) from demo_demomark") == [(1, 11)]


def test_the_same_seed_makes_the_same_jobs_in_any_process(made: tuple[Path, str]) -> None:
    """Drawn here once more, by the moment that the demo was made at."""
    [(at,)] = ask(made[0], "select made_at from demo_demomark")
    until = datetime.fromisoformat(at).replace(tzinfo=UTC)
    since = until - truth().shop.months * MONTH
    minutes = {key: access.minutes for key, access in CATALOG.access.items()}
    waiting = {said.key: read_file(edition_path(ROOT, said)) for said in truth().editions if said.until >= 1}
    earlier = earlier_flows(truth(), others())
    rng = np.random.default_rng(11)
    shop = ShopSimulator(truth(), flows() | waiting, rng, since, until, minutes, dangers(), earlier)
    drawn = [(job.past.client_id.hex, job.past.complaint, job.past.disposition) for job in shop.jobs(int(JOBS))]
    assert drawn and jobs_in(made[0])[: len(drawn)] == drawn


@pytest.mark.django_db
def test_what_a_database_is_taken_for(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """A mark without jobs is a demo that was broken off, to be made anew."""
    settings.WORLD = "demo"
    with monkeypatch.context() as empty:
        empty.setattr(connection.introspection, "table_names", list)
        assert _state() == "empty"
    assert _state() == "other"
    mark = DemoMark.objects.create(made_at=timezone.now(), seed=1, jobs=0)
    assert _state() == "unfinished"
    mark.jobs = 3
    mark.save()
    assert _state() == "demo"
    settings.WORLD = "shop"
    assert _state() == "other"


def editions(folder: Path) -> list[tuple[Any, ...]]:
    return ask(
        folder,
        """select p.key, v.number, v.state from procedures_revision v
           join procedures_procedure p on p.id = v.procedure_id where p.key in (
           select q.key from procedures_revision w join procedures_procedure q on q.id = w.procedure_id
           where w.number > 1) order by p.key, v.number""",
    )


def test_one_procedure_was_improved_and_one_waits_for_it(made: tuple[Path, str]) -> None:
    assert editions(made[0]) == [
        ("brake-lamps-off", 1, "published"),
        ("brake-lamps-off", 2, "draft"),
        ("starter-does-not-turn", 1, "replaced"),
        ("starter-does-not-turn", 2, "published"),
    ]
    runs = ask(
        made[0],
        """select v.number, min(r.started_at), max(r.started_at) from jobs_run r
           join procedures_revision v on v.id = r.revision_id join procedures_procedure p on p.id = v.procedure_id
           where p.key = 'starter-does-not-turn' group by v.number order by v.number""",
    )
    assert [number for number, _first, _last in runs] == [1, 2]
    assert runs[0][2] < runs[1][1]


def refused(done: subprocess.CompletedProcess[str], folder: Path) -> None:
    assert done.returncode == 2
    assert done.stderr.strip() == (
        f"CommandError: {folder / 'demo.sqlite3'} holds data that the demo did not make, so it was not touched. "
        "Right would be an empty database: unset DATABASE_URL, or name another folder in SHOPKB_DATA_DIR."
    )


def test_a_shop_s_database_is_not_touched(made: tuple[Path, str], tmp_path: Path) -> None:
    """A database with every table and no mark, as a shop's is."""
    changed(made, tmp_path, "delete from demo_demomark")
    before = (tmp_path / "demo.sqlite3").read_bytes()
    refused(manage(tmp_path, "demo", "--no-serve", "--reset"), tmp_path)
    assert (tmp_path / "demo.sqlite3").read_bytes() == before


def test_another_program_s_database_is_not_touched(tmp_path: Path) -> None:
    held = sqlite3.connect(tmp_path / "demo.sqlite3")
    held.execute("create table stamps (name text)")
    held.commit()
    held.close()
    before = (tmp_path / "demo.sqlite3").read_bytes()
    refused(manage(tmp_path, "demo", "--no-serve", "--reset"), tmp_path)
    assert (tmp_path / "demo.sqlite3").read_bytes() == before


@pytest.mark.django_db
def test_another_world_is_refused(settings: Settings) -> None:
    settings.WORLD = "shop"
    with pytest.raises(CommandError) as caught:
        call_command("demo", no_serve=True)
    assert caught.value.returncode == 2
    assert str(caught.value) == (
        f"SHOPKB_WORLD is 'shop', so {connection.settings_dict['NAME']} is not the demo's database and was not "
        "touched. Leave SHOPKB_WORLD out: python manage.py demo"
    )


@pytest.mark.django_db
def test_no_jobs_is_refused(settings: Settings) -> None:
    settings.WORLD = "demo"
    DemoMark.objects.create(made_at=timezone.now(), seed=1, jobs=0)
    with pytest.raises(CommandError, match=r"^Write a number of jobs of 1 or more\.$") as caught:
        call_command("demo", no_serve=True, jobs=0)
    assert caught.value.returncode == 2
    assert DemoMark.objects.count() == 1


@pytest.fixture
def taken() -> Iterator[int]:
    """A port that somebody listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        yield listener.getsockname()[1]


def test_a_second_start_keeps_what_is_there_and_serves_on_the_next_free_port(
    made: tuple[Path, str], taken: int
) -> None:
    before = jobs_in(made[0])
    words = [sys.executable, "manage.py", "demo", "--port", str(taken), "--jobs", "9"]
    server = subprocess.Popen(
        words, cwd=ROOT, env=environment(made[0]), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        assert server.stdout is not None
        said = ""
        while "Ctrl+C" not in said:
            line = server.stdout.readline()
            assert line, said
            said += line
        assert said.splitlines()[0] == "The demo is there already; everything done in it is kept."
        found = re.search(rf"Port {taken} is taken, so (\d+) is used\.", said)
        assert found, said
        page = page_at(f"http://127.0.0.1:{found[1]}/sign-in/")
        assert "invented" in page.lower()
        assert jobs_in(made[0]) == before
    finally:
        server.terminate()
        server.wait(timeout=30)
        if server.stdout:
            server.stdout.close()


def page_at(address: str) -> str:
    """The page, once the server answers."""
    for _ in range(100):
        try:
            with urllib.request.urlopen(address, timeout=30) as answer:
                return str(answer.read().decode("utf-8"))
        except OSError:
            time.sleep(0.2)
    raise AssertionError(f"Nobody answers at {address}.")
