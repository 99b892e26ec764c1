"""The power is cut while four people send: what was acknowledged is on the disk, and what nobody synced is not.

The disk is a file that holds an ext4 file system. Writes reach that file when they are synced, or much later by
themselves; until then they are in memory alone. So a copy of the file, taken while the server stands still, is what a
disk would hold after a power cut. A file that is written and not synced must be missing in it, else nothing is shown.

Tried where file systems may be mounted. What the disk itself does with what it was told to keep is not seen.
"""

from __future__ import annotations

import copy
import os
import random
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.faults.shop import PEOPLE, Shop, at_work
from tests.faults.test_kills import SEED, all_there, at_least

CUTS = int(os.environ.get("SHOPKB_CUTS", "1"))
SIZE = 192 * 1024 * 1024
NEVER_SYNCED = b"Written, and nobody asked for it to reach the disk." * 100


def run(*command: str | Path) -> None:
    subprocess.run(command, check=True, capture_output=True)


@contextmanager
def mounted(disk: Path, folder: Path) -> Iterator[Path]:
    folder.mkdir(exist_ok=True)
    run("mount", "-o", "loop", disk, folder)
    try:
        yield folder
    finally:
        run("umount", "-l", folder)


def made(disk: Path, size: int) -> Path:
    """A file that holds an empty file system of so many bytes."""
    with disk.open("wb") as file:
        file.truncate(size)
    run("mkfs.ext4", "-q", disk)
    return disk


def may_mount() -> bool:
    """Whether a file may be mounted as a file system here; tried, as being root in a container need not be enough."""
    if os.environ.get("DATABASE_URL", "").startswith("postgres") or shutil.which("mkfs.ext4") is None:
        return False
    with tempfile.TemporaryDirectory(prefix="shopkb-mount-") as folder:
        try:
            with mounted(made(Path(folder) / "disk", 1024 * 1024), Path(folder) / "there"):
                return True
        except (OSError, subprocess.CalledProcessError):
            return False


if may_mount():

    @pytest.fixture
    def disk(tmp_path: Path) -> Path:
        return made(tmp_path / "disk", SIZE)

    def test_what_was_acknowledged_outlives_a_power_cut(
        first_shop: Shop, disk: Path, tmp_path: Path, figure: dict[str, object]
    ) -> None:
        dice, answers = random.Random(SEED), 0
        with mounted(disk, tmp_path / "shop") as folder:
            shutil.copytree(first_shop.folder, folder, dirs_exist_ok=True)
            os.sync()
            shop = Shop(folder, like=first_shop)
            shop.start()
            try:
                with at_work(shop) as (told, odd):
                    for number in range(CUTS):
                        at_least(told, told.count + 2 * PEOPLE)
                        time.sleep(dice.uniform(0, 0.3))
                        held = tmp_path / f"disk-{number}"
                        assert shop.server is not None
                        (folder / "never-synced").write_bytes(NEVER_SYNCED)
                        shop.server.send_signal(signal.SIGSTOP)
                        acknowledged = copy.deepcopy(told)
                        run("cp", "--sparse=always", disk, held)
                        shop.server.send_signal(signal.SIGCONT)
                        (folder / "never-synced").unlink()
                        with mounted(held, tmp_path / "after") as after:
                            lost = after / "never-synced"
                            assert not lost.exists() or lost.read_bytes() != NEVER_SYNCED
                            all_there(Shop(after, like=first_shop), acknowledged)
                        held.unlink()
                        answers = acknowledged.count
                assert [(reply.status, reply.body[:200]) for reply in odd] == []
            finally:
                if shop.server is not None:
                    shop.kill()
        figure["power cuts survived, by a disk that drops what is not synced"] = CUTS
        figure["answers acknowledged before the last of them, all there"] = answers
