"""The drill: back up while people work, destroy the shop, restore elsewhere; counts, log and one photo are equal."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.faults.conftest import database
from tests.faults.shop import Shop, at_work
from tests.faults.test_full_disk import picture

COUNT = """
import django, hashlib, json, pathlib, sys
django.setup()
from django.apps import apps
from django.conf import settings
from shopkb.upkeep.portable_rows import digests
photos = sorted(path for path in pathlib.Path(settings.MEDIA_ROOT).rglob("*") if path.is_file())
print(json.dumps({"tables": digests(apps, "default"),
                  "photos": [hashlib.sha256(path.read_bytes()).hexdigest() for path in photos]}))
"""


# That a backup comes back equal on either database, and from one to the other, is tried in tests/upkeep/test_backup.py.
@pytest.mark.one_database
def test_the_drill(shop: Shop, tmp_path: Path, figure: dict[str, object]) -> None:
    shop.start()
    made = shop.intake(0, "3f7d5c52-0a39-4f8e-9d0e-0d6c6f6f0001", "SB 0001")
    assert shop.post_photo(f"{made.location}photos/new/", 0, picture()).status == 302
    with at_work(shop) as (told, odd):
        time.sleep(1.0)
        under_load = json.loads(shop.manage("backup", "--to", str(tmp_path / "load"), "--json").stdout)
        time.sleep(0.5)
    assert [reply.status for reply in odd] == []
    last = json.loads(shop.manage("backup", "--to", str(tmp_path / "last"), "--json").stdout)
    held = json.loads(shop.python(COUNT))
    shop.kill()
    for path in shop.folder.glob("*"):  # the computer is lost
        if path.is_file():
            path.unlink()
    with restored(shop, tmp_path / "back", last["file"]) as back:
        found = json.loads(back.python(COUNT))
        noted = [json.loads(line) for line in back.manage("audit_log", "--json").stdout.splitlines()]
        assert noted[-1]["action"] == "restored from a backup"
        for tables in (found["tables"], held["tables"]):
            tables.pop("accounts_auditrecord")
        assert found == held
        assert len(found["photos"]) == 1 + len(told.photo)
        log = json.loads(back.manage("verify", "--json").stdout)
        assert (log["broken"], log["log"]["digest"]) == ([], last["log_ends"])
        assert set(back.found(told)["job"].values()) == {1}
    with restored(shop, tmp_path / "again", under_load["file"]) as again:  # a moment in the middle of the work
        assert again.broken() == []
    figure["rows that came back in the drill, equal"] = last["rows"]


@contextmanager
def restored(shop: Shop, folder: Path, file: str) -> Iterator[Shop]:
    """The backup in an empty place of the same kind."""
    folder.mkdir()
    with database() as address:
        back = Shop(folder, address, like=shop)
        back.manage("restore", file)
        yield back
