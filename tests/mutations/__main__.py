"""Would the tests notice? ``python -m tests.mutations``: small changes to the doors, one at a time, by cosmic-ray.

A random sample of them (``--sample``, 240 unless told, ``--all`` for every one) is made in a copy of the project below
``.rounds/mutations`` and given to the tests of its room. Ended in between, the same command goes on; ``--again`` gives
the survivors to the tests as they are now. The table of ``tests/mutations/table.md`` is written after each stretch, and
the survivors, to be read one by one, stand in ``.rounds/mutations/survivors.diff``. Take ``nice`` before it: a full run
takes days, a sample of 240 an hour or two. Needs ``pip install -e ".[mutation]"``. Exits with 1 under 90 %.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.mutations.modules import TESTS, annotated, mutated, operations
from tests.mutations.tried import ENDED, MADE
from tests.proof import ROOT
from tests.rounds import PLACE, version_tried

WHERE = PLACE / "mutations"
COPY, SESSION, CONFIG = WHERE / "copy", WHERE / "session.sqlite", WHERE / "config.toml"
TABLE = ROOT / "tests" / "mutations" / "table.md"
SAMPLE, SEED, TIMEOUT = 240, 20261130, 420
ENOUGH = 0.9
Places = dict[str, list[tuple[tuple[int, int], tuple[int, int]]]]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sample", type=int, default=SAMPLE)
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--anew", action="store_true", help="Forget a run that was ended in between.")
    parser.add_argument("--again", action="store_true", help="Give the survivors to the tests as they are now.")
    parser.add_argument("--minutes", type=float, help="End after so long; the same command goes on.")
    options = parser.parse_args()
    PLACE.mkdir(exist_ok=True)
    with (PLACE / "mutations.lock").open("w") as alone:
        try:
            fcntl.flock(alone, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            sys.stderr.write("Another run is at work in the same copy.\n")
            return 2
        return work(options)


def work(options: argparse.Namespace) -> int:
    if options.anew or not SESSION.exists():
        begin(None if options.all else options.sample)
    refresh()
    if options.again:
        try_survivors()
    else:
        run(options.minutes)
    return 0 if told() >= ENOUGH else 1


def begin(sample: int | None) -> None:
    """A copy of the project with everything that git knows of, and the mutants that are to be tried."""
    shutil.rmtree(WHERE, ignore_errors=True)
    WHERE.mkdir(parents=True)
    copy_files("")
    git = ["git", "-c", "user.name=tests", "-c", "user.email=tests@localhost"]
    for words in (["init", "-q"], ["add", "-A"], ["commit", "-q", "-m", "Copy"]):
        subprocess.run([*git, *words], cwd=COPY, check=True)
    # Compiled beforehand, and recognised by what the source says: a mutant is as long and as new as what it stands for.
    subprocess.run(
        [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "shopkb", "tests"],
        cwd=COPY, check=True,
    )  # fmt: skip
    files = ", ".join(f'"{path}"' for path in mutated())
    CONFIG.write_text(
        f"[cosmic-ray]\nmodule-path = [{files}]\ntimeout = {TIMEOUT}\nexcluded-modules = []\n"
        f'test-command = "{sys.executable} -m tests.mutations.tried"\n[cosmic-ray.distributor]\nname = "local"\n'
    )
    cosmic("init", str(CONFIG), str(SESSION))
    choose(sample)


def copy_files(below: str) -> None:
    listed = ["git", "ls-files", "--cached", "--others", "--exclude-standard", below or "."]
    for name in subprocess.run(listed, cwd=ROOT, capture_output=True, text=True, check=True).stdout.splitlines():
        if (ROOT / name).is_file():
            (COPY / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, COPY / name)


def choose(sample: int | None) -> None:
    """Keep a random sample, of those that change what a program does."""
    from cosmic_ray.work_db import use_db

    with use_db(str(SESSION)) as held:
        items = sorted(held.work_items, key=lambda item: repr(item.mutations))
        places = {path: annotated(ROOT / path) for path in mutated()}
        computed = {path: operations(ROOT / path) for path in mutated()}
        meant = [item for item in items if _changes_something(item.mutations[0], places, computed)]
        chosen = meant if sample is None else random.Random(SEED).sample(meant, min(sample, len(meant)))
        held.clear()
        held.add_work_items(chosen)
    sys.stdout.write(f"{len(chosen)} mutants of {len(meant)}.\n")
    (WHERE / "meant").write_text(str(len(meant)))


def _changes_something(mutation: Any, annotated: Places, computed: Places) -> bool:
    path = mutation.module_path.as_posix()
    return not _inside(mutation, annotated[path]) and (
        "BinaryOperator" not in mutation.operator_name or _inside(mutation, computed[path])
    )


def _inside(mutation: Any, spans: list[tuple[tuple[int, int], tuple[int, int]]]) -> bool:
    start = tuple(mutation.start_pos)
    return any(begin <= start < end for begin, end in spans)


def refresh() -> None:
    """Whatever was not tried in truth, as a run was ended in its middle, is to be tried again.

    Project and tests as they are now come into the copy. Mutants of files that changed since are left out: they would
    be other ones.
    """
    from cosmic_ray.work_db import use_db

    subprocess.run(["git", "checkout", "-q", "--", "."], cwd=COPY, check=True)  # what an ended run left mutated
    changed = {path for path in mutated() if not same(ROOT / path, COPY / path)}
    copy_files("")
    with use_db(str(SESSION)) as held:
        done = [(item, result) for item, result in held.completed_work_items if _place(item) not in changed]
        pending = [item for item in held.pending_work_items if _place(item) not in changed]
        held.clear()
        held.add_work_items([*(item for item, _result in done), *pending])
        for item, result in done:
            if was_tried(result):
                held.set_result(item.job_id, result)
    git = ["git", "-c", "user.name=tests", "-c", "user.email=tests@localhost"]
    subprocess.run([*git, "add", "-A"], cwd=COPY, check=True)
    subprocess.run([*git, "commit", "-q", "-m", "Tests", "--allow-empty"], cwd=COPY, check=True)
    make_database()


def make_database() -> None:
    """The one that mutants get a copy of, made by the tests themselves."""
    one = ["tests/accounts/test_people.py", "-k", "first_password"]
    with tempfile.TemporaryDirectory(prefix="shopkb-mutant-") as folder:
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-n", "0", "--reuse-db", "--create-db", *one],
            cwd=COPY, env={**os.environ, "SHOPKB_DATA_DIR": folder}, check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        shutil.copy2(Path(folder) / MADE, WHERE / MADE)


def same(one: Path, other: Path) -> bool:
    return one.exists() and other.exists() and one.read_bytes() == other.read_bytes()


def _place(item: Any) -> str:
    return str(item.mutations[0].module_path.as_posix())


def try_survivors() -> None:
    """Those alone, given to the tests as they are now."""
    from cosmic_ray.mutating import mutate_and_test
    from cosmic_ray.work_db import use_db
    from cosmic_ray.work_item import TestOutcome

    os.chdir(COPY)
    with use_db(str(SESSION)) as held:
        for item, result in list(held.completed_work_items):
            if result.test_outcome == TestOutcome.SURVIVED:
                again = mutate_and_test(item.mutations, f"{sys.executable} -m tests.mutations.tried", TIMEOUT)
                held.set_result(item.job_id, again)


def was_tried(result: Any) -> bool:
    """Whether the tests ran to their own end, or so long that the mutant must have hung them."""
    return result.output is not None and (result.output == "timeout" or ENDED in result.output)


def run(minutes: float | None) -> None:
    working = subprocess.Popen([sys.executable, "-m", "cosmic_ray.cli", "exec", str(CONFIG), str(SESSION)], cwd=COPY)
    try:
        working.wait(minutes * 60 if minutes else None)
    except (subprocess.TimeoutExpired, KeyboardInterrupt):
        working.send_signal(signal.SIGINT)
        working.wait()


def cosmic(*words: str) -> None:
    subprocess.run([sys.executable, "-m", "cosmic_ray.cli", *words], cwd=COPY, check=True)


def told() -> float:
    """Write the table and the survivors; the share killed."""
    from cosmic_ray.work_db import use_db
    from cosmic_ray.work_item import TestOutcome

    tried: Counter[str] = Counter()
    killed: Counter[str] = Counter()
    alive = []
    with use_db(str(SESSION)) as held:
        chosen = held.num_work_items
        for item, result in held.completed_work_items:
            if not was_tried(result):
                continue
            mutation = item.mutations[0]
            room = next(room for room in TESTS if mutation.module_path.as_posix().startswith(room))
            tried[room] += 1
            if result.test_outcome == TestOutcome.SURVIVED:
                at = f"{mutation.module_path.as_posix()}:{mutation.start_pos[0]} in {mutation.definition_name}"
                alive.append(f"# {at}\n{result.diff}\n")
            else:
                killed[room] += 1
    (WHERE / "survivors.diff").write_text("".join(sorted(alive)), encoding="utf-8")
    meant = (WHERE / "meant").read_text()
    rows = [
        f"| `{room}` | {tried[room]} | {killed[room]} | {_percent(killed[room], tried[room])} |"
        for room in sorted(tried)
    ]
    total = f"| all | {tried.total()} | {killed.total()} | {_percent(killed.total(), tried.total())} |"
    TABLE.write_text(
        "\n".join([
            "# Would the tests notice?", "",
            f"Written by `python -m tests.mutations` on {datetime.now(UTC):%d %B %Y}, version {version_tried()}: "
            f"{tried.total()} mutants tried of a random sample of {chosen}, out of {meant}.", "",
            "| room | tried | killed | share |", "| --- | ---: | ---: | ---: |", *rows, total, "",
        ]),
        encoding="utf-8",
    )  # fmt: skip
    sys.stdout.write("\n".join(["", *rows, total, ""]))
    return killed.total() / tried.total() if tried else 0.0


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f} %" if whole else ""


if __name__ == "__main__":
    os.environ.setdefault("PYTHONDONTWRITEBYTECODE", "1")
    raise SystemExit(main())
