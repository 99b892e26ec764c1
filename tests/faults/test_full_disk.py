"""The disk runs full while people send: said in plain words, nothing half written, and work goes on afterwards.

The disk is a file system of a few megabytes in memory (tmpfs) where the tests may mount one; elsewhere the kernel's
limit on the size of a file stands for it, which SQLite reports as the same error. The figure says which it was.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from tests.faults.shop import Acknowledged, Reply, Shop
from tests.faults.test_kills import all_there

WORDS = "The disk of the computer that keeps the records is full."
ROOM = 96 * 1024
"""Bytes left on the disk when people begin to send."""


@pytest.fixture
def tiny(tmp_path: Path, first_shop: Shop) -> Iterator[Path | None]:
    """A file system with little room beyond the shop; ``None`` where none may be mounted."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    size = sum(path.stat().st_size for path in first_shop.folder.rglob("*") if path.is_file()) + ROOM
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size // 4096 * 4096}", "tmpfs", folder], capture_output=True, check=False
    )
    yield folder if mounted.returncode == 0 else None
    if mounted.returncode == 0:
        subprocess.run(["umount", "-l", folder], check=True)


if not os.environ.get("DATABASE_URL", "").startswith("postgres"):

    def test_told_and_nothing_half_written(
        first_shop: Shop, shop: Shop, tiny: Path | None, figure: dict[str, object]
    ) -> None:
        if tiny is not None:
            shutil.copytree(first_shop.folder, tiny, dirs_exist_ok=True)
            shop = Shop(tiny, like=first_shop)
            shop.start()
        else:
            shop.start(largest_file=(shop.folder / "shop.sqlite3").stat().st_size + 64 * 1024)
        try:
            told, refused = _fill(shop)
            assert [reply.status for _sent, reply in refused] == [503] * 5
            assert all(WORDS in reply.body for _sent, reply in refused)
            if tiny is not None:
                photo = shop.post_photo(f"/jobs/{shop.first_job}/photos/new/", 0, picture())
                assert (photo.status, WORDS in photo.body) == (503, True), photo.body
                assert [path for path in (tiny / "photos").rglob("*") if path.is_file()] == []
            shop.kill()
            if tiny is not None:
                subprocess.run(["mount", "-o", "remount,size=64m", tiny], check=True)
            shop.start()
            all_there(shop, told)
            gone = shop.found(Acknowledged(job=[sent for sent, _reply in refused]))["job"]
            assert set(gone.values()) == {0}
            assert shop.intake(0, refused[0][0], "SB 9999").status == 302
        finally:
            if shop.server is not None:
                shop.kill()
        kind = "file system of its own" if tiny is not None else "limit on the file"
        figure[f"answers before the disk was full ({kind}), all there"] = told.count


def _fill(shop: Shop) -> tuple[Acknowledged, list[tuple[str, Reply]]]:
    told, refused = Acknowledged(), []
    for number in range(5000):
        sent = str(uuid.uuid4())
        reply = shop.intake(0, sent, f"SB {number:04d}")
        if reply.status == 302:
            told.job.append(sent)
            shop.first_job = shop.first_job or int(reply.location.strip("/").rpartition("/")[2])
        else:
            refused.append((sent, reply))
        if len(refused) == 5:
            break
    return told, refused


def picture() -> bytes:
    out = io.BytesIO()
    Image.effect_noise((1500, 1500), 90).convert("RGB").save(out, "JPEG", quality=90)
    return out.getvalue()
