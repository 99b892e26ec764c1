"""The database server is restarted while four people work: told as that, nothing lost, and work goes on by itself."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.shop import ROOT, Shop, at_work
from tests.faults.test_kills import BUSY, KILLS, ON_A_SERVER, all_there

RESTARTS = max(1, KILLS // 10)


def server(action: str, notes: Path) -> str:
    durable = {**os.environ, "POSTGRES_DURABLE": "1"}
    done = subprocess.run(
        ["bash", ROOT / ".ci" / "postgres", action, notes], env=durable, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


if ON_A_SERVER:

    @pytest.fixture
    def own_server(tmp_path: Path) -> Iterator[tuple[Path, str]]:
        """A server of this test alone: restarting the one of all tests would disturb the others."""
        notes = tmp_path / "server"
        address = server("start", notes).splitlines()[-1]
        try:
            yield notes, address
        finally:
            server("stop", notes)

    def test_restarted_under_load(own_server: tuple[Path, str], tmp_path: Path, figure: dict[str, object]) -> None:
        notes, address = own_server
        shop = Shop(tmp_path / "shop", address)
        shop.start()
        try:
            with at_work(shop) as (told, odd):
                for _ in range(RESTARTS):
                    time.sleep(0.7)
                    server("restart", notes)
                before = told.count
                time.sleep(1.5)
            assert told.count > before  # without a restart of the shop itself
            assert {reply.status for reply in odd} <= {503}
            assert all(any(words in reply.body for words in BUSY) for reply in odd)
            all_there(shop, told)
        finally:
            shop.kill()
        figure["restarts of the database server under load"] = RESTARTS
        figure["answers acknowledged meanwhile by the restarted server, all there"] = told.count
