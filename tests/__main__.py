"""Everything a change must pass, in one command: ``python -m tests``.

Lint, templates, types, migrations and deployment settings, and beside them the tests: all of them on SQLite, then those
that touch the database once more on PostgreSQL. Nothing is skipped: a missing browser or server is said with the way to
get it, and fails.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from tests import chromium

ROOT = Path(__file__).resolve().parent.parent
PYTHON = sys.executable
BIN = Path(PYTHON).parent
ON_BOTH = [
    "accounts", "catalog", "demo", "evidence", "faults", "hosting", "jobs", "procedures", "reports", "upkeep",
    "journeys", "rights/test_hostile.py", "rights/test_null_characters.py", "rights/test_storable.py",
]  # fmt: skip
"""Who may do what is no matter of the database; what a database cannot hold is."""
WORKERS = "3"
"""On two cores: a third has something to do while the others wait for their browsers and servers."""
TOUCHES_IT = "not looks and not device and not one_database"

NO_PANGO = "No Pango found, which sets PDFs. Install it (Debian: apt install libpango-1.0-0 libpangoft2-1.0-0)."

NO_NGSPICE = "No ngspice found, which reads every circuit a second time. Install it (Debian: apt install ngspice)."


def say(words: str) -> None:
    sys.stdout.write(f"\n== {words}\n")
    sys.stdout.flush()


def run(words: str, *command: str | Path, **environment: str) -> bool:
    """Run one check; say what it was and how long it took."""
    say(words)
    begun = time.monotonic()
    done = subprocess.run([str(part) for part in command], cwd=ROOT, env={**os.environ, **environment}, check=False)
    say(f"{words}: {'passed' if done.returncode == 0 else 'FAILED'} in {time.monotonic() - begun:.0f} s")
    return done.returncode == 0


def run_quietly(words: str, *command: str | Path, **environment: str) -> bool:
    """Run one check beside others; say it when it is over, with what it printed."""
    begun = time.monotonic()
    done = subprocess.run(
        [str(part) for part in command],
        cwd=ROOT, env={**os.environ, **environment}, check=False,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    outcome = "passed" if done.returncode == 0 else "FAILED"
    say(f"{words}: {outcome} in {time.monotonic() - begun:.0f} s\n{done.stdout}")
    return done.returncode == 0


@contextmanager
def postgres() -> Iterator[str | None]:
    """Address of a PostgreSQL to test on: ``SHOPKB_TEST_POSTGRES``, else a throwaway one of our own."""
    given = os.environ.get("SHOPKB_TEST_POSTGRES")
    if given:
        yield given
        return
    script = ROOT / ".ci" / "postgres"
    with tempfile.TemporaryDirectory(prefix="shopkb-pg-") as notes:
        folder = str(Path(notes) / "server")
        started = subprocess.run(["bash", script, "start", folder], capture_output=True, text=True, check=False)
        if started.returncode != 0:
            sys.stderr.write(started.stderr)
            yield None
            return
        try:
            yield started.stdout.strip().splitlines()[-1]
        finally:
            subprocess.run(["bash", script, "stop", folder], check=False)


def templates() -> list[Path]:
    return sorted((ROOT / "shopkb").glob("*/templates/**/*.html"))


def sets_pdfs() -> bool:
    try:
        import weasyprint  # noqa: F401
    except OSError:
        return False
    return True


def all_without_running(place: dict[str, str]) -> bool:
    """Lint, templates, types, migrations and settings: one process at a time, beside the tests."""
    deploy = {**place, "SHOPKB_HTTPS": "yes", "SHOPKB_SECRET_KEY": "only-for-this-check-" + "k3y" * 12}
    manage: list[str | Path] = [PYTHON, "manage.py"]
    return all(
        [
            run_quietly("Lint", BIN / "ruff", "check", "."),
            run_quietly("Format", BIN / "ruff", "format", "--check", "."),
            run_quietly("Template syntax", BIN / "djade", "--check", "--target-version", "5.2", *templates()),
            run_quietly("Templates", BIN / "djlint", "--lint", "--quiet", "shopkb"),
            run_quietly("Types", BIN / "mypy"),
            run_quietly("Migrations", *manage, "makemigrations", "--check", "--dry-run", **place),
            run_quietly("System checks", *manage, "check", "--database", "default", **place),
            run_quietly("Deployment", *manage, "check", "--deploy", "--fail-level", "WARNING", **deploy),
        ]
    )


def main() -> int:
    found = chromium.found()
    missing = chromium.MISSING if found is None else "" if sets_pdfs() else NO_PANGO
    if found is None or missing or shutil.which("ngspice") is None:
        sys.stderr.write(f"{missing or NO_NGSPICE}\n")
        return 1
    with tempfile.TemporaryDirectory(prefix="shopkb-tests-") as data, postgres() as address:
        # Workers, and the servers and commands that tests start, load the same thousand files: compiled once, also
        # where the environment asks for no compiled files.
        compiled = {"PYTHONDONTWRITEBYTECODE": ""}
        place = {"SHOPKB_DATA_DIR": data, "SHOPKB_CHROMIUM": found, "PYTHONWARNINGS": "error", **compiled}
        run("Compiled", PYTHON, "-m", "compileall", "-q", "shopkb", "tests", **compiled)
        server = {**place, "PYTHONWARNINGS": "", "DATABASE_URL": address or ""}
        pytest = [PYTHON, "-m", "pytest", "-q", "-n", WORKERS, "--dist", "worksteal"]
        with ThreadPoolExecutor(1) as beside:
            reading = beside.submit(all_without_running, place)
            steps = [run("Tests on SQLite", *pytest, **{**place, "PYTHONWARNINGS": ""})]
            steps.append(reading.result())
        if address is None:
            sys.stderr.write("No PostgreSQL 15 or newer. Install it (Debian: apt install postgresql).\n")
            return 1
        both = [str(Path("tests") / name) for name in ON_BOTH if (ROOT / "tests" / name).exists()]
        steps.append(run("Tests on PostgreSQL", *pytest, "-m", TOUCHES_IT, *both, **server))
    return 0 if all(steps) else 1


if __name__ == "__main__":
    raise SystemExit(main())
