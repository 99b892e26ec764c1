"""The demo command as people start it: in a process of its own, in a folder of its own."""

from __future__ import annotations

import json
import os
import re
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import ROOT

JOBS = "40"


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
    connection = sqlite3.connect(folder / "demo.sqlite3")
    try:
        return connection.execute(question).fetchall()
    finally:
        connection.close()


def jobs_in(folder: Path) -> list[tuple[Any, ...]]:
    return ask(folder, "select client_id, complaint, disposition from jobs_job order by id")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A demo made once, and what was printed."""
    folder = tmp_path_factory.mktemp("demo")
    done = manage(folder, "demo", "--no-serve", "--jobs", JOBS)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return folder, done.stdout


def test_it_says_what_it_makes_and_who_may_come_in(made: tuple[Path, str]) -> None:
    _folder, said = made
    lines = said.splitlines()
    assert lines[:2] == ["Making the invented world. This takes some seconds.", "  Database."]
    assert lines[2].startswith("  Catalog: ")
    assert lines[3] == "  8 people."
    assert re.fullmatch(r"  \d+ procedures in force: .*overheats-fan-silent.*\.", lines[4])
    assert re.fullmatch(r"  \d+ closed jobs, \d+ results\.", lines[5])
    assert lines[6] == "  3 open jobs."
    assert "Everything is invented. Log-ins, all with the password saltmarsh-mudflats:" in lines
    assert "  cuthbert   technician Cuthbert Eelgrass" in lines
    assert lines[-1] == "To begin anew: python manage.py demo --reset"


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
    assert 400 < days <= 549
    [(late,)] = ask(made[0], "select count(*) from jobs_result, demo_demomark where at > made_at")
    assert late == 0


def test_evidence_is_what_a_rebuild_counts(made: tuple[Path, str]) -> None:
    code = (
        "from shopkb.evidence.learning import kept, total_of; from shopkb.jobs.cases import closed_cases; "
        "print(kept() == total_of(closed_cases()), len(kept()) > 100)"
    )
    done = manage(made[0], "shell", "--verbosity", "0", "-c", code, SHOPKB_WORLD="demo")
    assert done.stdout.split() == ["True", "True"], done.stderr


def test_a_second_start_keeps_what_is_there(made: tuple[Path, str]) -> None:
    before = jobs_in(made[0])
    done = manage(made[0], "demo", "--no-serve", "--jobs", "9")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0] == "The demo is there already; everything done in it is kept."
    assert jobs_in(made[0]) == before


def test_compare_truth_as_json(made: tuple[Path, str]) -> None:
    done = manage(made[0], "compare_truth", "--json", "--simulate", "300", SHOPKB_WORLD="demo")
    said = json.loads(done.stdout)
    assert done.returncode in (0, 1)
    assert done.returncode == int(not all(one["enough"] for one in said["coverage"]))
    assert [one["kind"] for one in said["coverage"]] == ["cause", "branch"]
    assert set(said["lines"][0]) == {"kind", "procedure", "what", "true", "learned", "low", "high", "jobs", "inside"}
    assert all(0 <= row["low"] <= row["high"] <= 1 for row in said["lines"])


def test_compare_truth_is_for_the_demo(tmp_path: Path) -> None:
    done = manage(tmp_path, "compare_truth", SHOPKB_WORLD="demo")
    assert done.returncode == 2
    assert done.stderr.strip() == (
        f"CommandError: {tmp_path / 'demo.sqlite3'} does not hold the demo. Make it with: python manage.py demo; "
        "then: SHOPKB_WORLD=demo python manage.py compare_truth"
    )


def test_reset_makes_it_anew_by_its_seed(tmp_path: Path) -> None:
    first = manage(tmp_path, "demo", "--no-serve", "--jobs", "12", "--seed", "5")
    assert first.returncode == 0, first.stderr
    told = [row[1:] for row in jobs_in(tmp_path)]
    connection = sqlite3.connect(tmp_path / "demo.sqlite3")
    connection.execute("update jobs_job set complaint = 'Somebody tried something.'")
    connection.commit()
    connection.close()
    again = manage(tmp_path, "demo", "--no-serve", "--jobs", "12", "--seed", "5", "--reset")
    assert again.returncode == 0, again.stderr
    assert again.stdout.splitlines()[0] == "The demo's old database is thrown away."
    assert [row[1:] for row in jobs_in(tmp_path)] == told
    assert ask(tmp_path, "select count(*), max(seed) from demo_demomark") == [(1, 5)]


def test_a_demo_broken_off_is_made_anew(made: tuple[Path, str], tmp_path: Path) -> None:
    (tmp_path / "demo.sqlite3").write_bytes((made[0] / "demo.sqlite3").read_bytes())
    connection = sqlite3.connect(tmp_path / "demo.sqlite3")
    connection.execute("update demo_demomark set jobs = 0")
    connection.commit()
    connection.close()
    done = manage(tmp_path, "demo", "--no-serve", "--jobs", "5")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0] == "The demo's old database is thrown away."
    assert len(jobs_in(tmp_path)) < 15


def refused(done: subprocess.CompletedProcess[str], folder: Path) -> None:
    assert done.returncode == 2
    assert done.stderr.strip() == (
        f"CommandError: {folder / 'demo.sqlite3'} holds data that the demo did not make, so it was not touched. "
        "Right would be an empty database: unset DATABASE_URL, or name another folder in SHOPKB_DATA_DIR."
    )


@pytest.mark.parametrize("further", [[], ["--reset"]])
def test_a_shop_s_database_is_not_touched(tmp_path: Path, further: list[str]) -> None:
    assert manage(tmp_path, "migrate", "--verbosity", "0", SHOPKB_WORLD="demo").returncode == 0
    before = (tmp_path / "demo.sqlite3").read_bytes()
    refused(manage(tmp_path, "demo", "--no-serve", *further), tmp_path)
    assert (tmp_path / "demo.sqlite3").read_bytes() == before


def test_another_program_s_database_is_not_touched(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "demo.sqlite3")
    connection.execute("create table stamps (name text)")
    connection.commit()
    connection.close()
    before = (tmp_path / "demo.sqlite3").read_bytes()
    refused(manage(tmp_path, "demo", "--no-serve", "--reset"), tmp_path)
    assert (tmp_path / "demo.sqlite3").read_bytes() == before


def test_another_world_is_refused(tmp_path: Path) -> None:
    done = manage(tmp_path, "demo", "--no-serve", SHOPKB_WORLD="shop")
    assert done.returncode == 2
    assert done.stderr.strip() == (
        f"CommandError: SHOPKB_WORLD is 'shop', so {tmp_path / 'shop.sqlite3'} is not the demo's database and was not "
        "touched. Leave SHOPKB_WORLD out: python manage.py demo"
    )


def test_no_jobs_is_refused(tmp_path: Path) -> None:
    done = manage(tmp_path, "demo", "--no-serve", "--jobs", "0")
    assert done.returncode == 2
    assert done.stderr.strip() == "CommandError: Write a number of jobs of 1 or more."


@pytest.fixture
def taken() -> Iterator[int]:
    """A port that somebody listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        yield listener.getsockname()[1]


def test_it_serves_on_the_next_free_port(made: tuple[Path, str], taken: int) -> None:
    words = [sys.executable, "manage.py", "demo", "--port", str(taken)]
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
        found = re.search(rf"Port {taken} is taken, so (\d+) is used\.", said)
        assert found, said
        page = page_at(f"http://127.0.0.1:{found[1]}/sign-in/")
        assert "invented" in page.lower()
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
