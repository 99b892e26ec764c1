"""What a shop needs done every day, done by the service itself: backup, a second copy of it, verify, fits, scores and
sign-ins that have run out.

Each piece of work is a command in a process of its own at low priority, so that nobody waits for a page meanwhile. What
became of it is kept in a file of the data folder, which the keeper's page and ``/health/`` read.
"""

from __future__ import annotations

import json
import logging
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event, Lock, Thread

from django.conf import settings
from django.utils import timezone

from shopkb.upkeep import archive, encryption
from shopkb.web.durable import sync_folder

EVENING = 18
"""Hour from which the day's work is done: people have gone home, and the computer is still on."""
DAILY = timedelta(hours=20)
OVERDUE = timedelta(hours=30)
"""Without an evening at which the computer was on, it is done whenever it is."""
LOOKED_EVERY = 300.0
LONGEST = 6 * 3600
"""Seconds a piece of work may take."""
KEPT = 30
"""Copies kept in the second place."""
OLD = timedelta(days=3)
SAID = 400
log = logging.getLogger(__name__)
_one_at_a_time = Lock()
_asked = Event()


class NotDone(Exception):
    """The sentence says why."""


@dataclass(frozen=True, slots=True)
class TaskOutcome:
    """What became of a piece of work: when it ended (ISO 8601), whether well, and what it said."""

    at: str
    ok: bool
    said: str

    @property
    def when(self) -> datetime:
        told = datetime.fromisoformat(self.at)
        return told if told.tzinfo else timezone.make_aware(told)


def _command(*words: str) -> str:
    """Run one of our commands; its last line.

    Raises:
        NotDone: it ended with another exit code than 0, or took too long.
    """
    manage = str(Path(settings.BASE_DIR) / "manage.py")
    environment = {**os.environ, "SHOPKB_DATA_DIR": str(settings.DATA_DIR), "SHOPKB_LOG_LEVEL": "ERROR"}
    command = [sys.executable, manage, *words]
    try:
        with subprocess.Popen(  # noqa: S603 - our own words
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
        ) as process:
            _lower(process.pid)
            try:
                told = process.communicate(timeout=LONGEST)[0]
            except subprocess.TimeoutExpired as error:
                process.kill()
                raise NotDone(f"It took longer than {LONGEST // 3600} hours and was ended.") from error
    except OSError as error:
        raise NotDone(str(error)) from error
    lines = [line for line in told.splitlines() if line.strip()]
    if process.returncode:
        raise NotDone(" ".join(lines[-2:]))
    return lines[-1] if lines else "Done."


def _lower(process: int) -> None:
    """People's pages go first. Windows has no such call."""
    if hasattr(os, "setpriority"):
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process, 10)


def _scores() -> str:
    _command("measure_quality")
    return "Every procedure with verified jobs is scored, month by month."


def _forget_sign_ins() -> str:
    _command("clearsessions")
    return "Sign-ins that have run out are forgotten."


def second_copy() -> str:
    """Copy the newest backup to the second place, encrypted where the shop has a key for it, and read it there.

    Raises:
        NotDone: the place is not there or full, or what arrived is not whole.
    """
    folder = Path(settings.SECOND_BACKUP)
    found = archive.backups_in(Path(settings.BACKUP_DIR))
    if not found:
        raise NotDone("There is no backup to copy yet.")
    if not folder.is_dir():
        raise NotDone(f"{folder} is not there. Is the disk in, or the share connected?")
    try:
        for left in folder.glob("shopkb-*.part"):
            left.unlink()  # of a copy that the power cut off
        key = encryption.key_in(Path(settings.DATA_DIR))
        _must_be_decided(folder)
        target = _encrypted(found[0], folder, key) if key else _plain(found[0], folder)
        if key:
            _encrypt_older(folder, key)
        archive.rotate(folder, KEPT, encrypted=key is not None)
    except (OSError, archive.ArchiveError) as error:
        raise NotDone(f"The copy in {folder} failed: {error}") from error
    return f"{target}, {'encrypted, and whole' if key else 'read again'} there."


def _plain(source: Path, folder: Path) -> Path:
    target = folder / source.name
    with _named_when_whole(target) as part:
        with source.open("rb") as read, encryption.private(part) as written:
            shutil.copyfileobj(read, written)
            written.flush()
            os.fsync(written.fileno())
        archive.read(part)
    return target


def _encrypted(source: Path, folder: Path, key: encryption.BackupKey) -> Path:
    """Without the passphrase nobody can open the copy to look whether it is whole; what it is made of is read before,
    and its digest after."""
    archive.read(source)
    target = folder / f"{source.name}{encryption.SUFFIX}"
    encryption.put_beside(folder, key)
    with _named_when_whole(target) as part:
        if encryption.encrypt(source, part, key) != encryption.digest_of(part):
            raise archive.ArchiveError(f"what arrived is not what was written: {target.name}.")
    return target


def _must_be_decided(folder: Path) -> None:
    """A shop that came back from a backup has no key yet; its copies do not go on in the open by themselves."""
    if archive.backups_in(folder, encrypted=True) and not encryption.is_decided(Path(settings.DATA_DIR)):
        raise archive.ArchiveError(
            "older copies there are encrypted, and this shop has no key. Choose a passphrase under Backups and daily "
            "work, or say there that copies are not encrypted any more."
        )


def _encrypt_older(folder: Path, key: encryption.BackupKey) -> None:
    """Copies from before there was a key would tell whoever finds the disk everything."""
    for plain in archive.backups_in(folder):
        _encrypted(plain, folder, key)
        plain.unlink()


@contextmanager
def _named_when_whole(target: Path) -> Iterator[Path]:
    part = target.with_suffix(".part")
    try:
        yield part
        part.replace(target)
        sync_folder(target.parent)
    finally:
        part.unlink(missing_ok=True)


WORK: Mapping[str, tuple[str, Callable[[], str]]] = {
    "backup": ("Backup", lambda: _command("backup", "--to", str(settings.BACKUP_DIR))),
    "second": ("Copy of it in the second place", second_copy),
    "verify": ("Check that all records are whole", lambda: _command("verify")),
    "fits": ("How alike related vehicles are", lambda: _command("fit_strengths")),
    "scores": ("How far the percentages can be trusted", _scores),
    "sign-ins": ("Sign-ins that have run out", _forget_sign_ins),
}
"""By key: what it is called, and what does it."""


def wanted() -> list[str]:
    return [key for key in WORK if key != "second" or settings.SECOND_BACKUP]


def outcomes() -> dict[str, TaskOutcome]:
    """What became of each the last time; nothing where the file is not there or cannot be read."""
    try:
        held = json.loads(_file().read_text(encoding="utf-8"))
        return {key: TaskOutcome(**told) for key, told in held.items() if key in WORK}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def is_due(last: datetime | None, now: datetime) -> bool:
    """Whether the day's work is to be done at ``now``, in the shop's time."""
    if last is None or now - last > OVERDUE:
        return True
    return now - last > DAILY and timezone.localtime(now).hour >= EVENING


def do_all(keys: list[str] | None = None) -> None:
    """One after the other; one that fails keeps none of the others from being done."""
    with _one_at_a_time:
        for key in wanted() if keys is None else keys:
            try:
                ok, said = True, WORK[key][1]()
            except NotDone as error:
                ok, said = False, str(error)
                log.error("%s: %s", WORK[key][0], said)
            except Exception as error:
                ok, said = False, f"A fault of the program: {error}"
                log.exception("%s", WORK[key][0])
            _keep(key, TaskOutcome(timezone.now().isoformat(timespec="seconds"), ok, said[:SAID]))


def ask() -> None:
    """Have all of it done now, in the background."""
    _asked.set()


def is_under_way() -> bool:
    return _asked.is_set() or _one_at_a_time.locked()


def troubles(now: datetime) -> list[str]:
    """What a monitor and the keeper should know, each in two or three words; nothing while all is well."""
    held = outcomes()
    if not held:
        return []
    found = []
    backups = archive.backups_in(Path(settings.BACKUP_DIR))
    if not backups or now - archive.made_at(backups[0]) > OLD:
        found.append("backup old")
    if now - max(told.when for told in held.values()) > OLD:
        found.append("nothing done by itself for days")
    failed = {"backup": "backup failed", "second": "second backup failed", "verify": "verify found something"}
    found += [words for key, words in failed.items() if key in wanted() and key in held and not held[key].ok]
    return found


def in_background() -> Thread:
    thread = Thread(target=_for_ever, name="scheduled work", daemon=True)
    thread.start()
    return thread


def _for_ever() -> None:
    _asked.wait(LOOKED_EVERY)  # a start is for whoever waits for a page
    while True:
        try:
            last = max((told.when for told in outcomes().values()), default=None)
            if _asked.is_set() or is_due(last, timezone.now()):
                do_all()
        except Exception:
            log.exception("The scheduled work, or what became of it, could not be kept.")
        _asked.clear()
        _asked.wait(LOOKED_EVERY)


def _file() -> Path:
    return Path(settings.DATA_DIR) / "scheduled.json"


def _keep(key: str, outcome: TaskOutcome) -> None:
    held = {**outcomes(), key: outcome}
    part = _file().with_suffix(".part")
    part.write_text(json.dumps({key: asdict(told) for key, told in held.items()}, indent=1), encoding="utf-8")
    part.replace(_file())
