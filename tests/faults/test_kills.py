"""The server killed while people send, connections cut, the file locked, the disk full, the same thing sent many times.

What was acknowledged is there, once; every law holds; what failed said so plainly.
"""

from __future__ import annotations

import os
import random
import sqlite3
import threading
import time
import uuid
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.faults.shop import PEOPLE, Acknowledged, Shop, at_work

KILLS = int(os.environ.get("SHOPKB_KILLS", "4"))
LOCKED = float(os.environ.get("SHOPKB_LOCKED", "2"))
ON_A_SERVER = os.environ.get("DATABASE_URL", "").startswith("postgres")
BUSY = {"The records cannot be reached just now", "kept the records busy for too long"}


def all_there(shop: Shop, told: Acknowledged) -> None:
    found = shop.found(told)
    for kind in ("job", "run", "result"):
        assert {one: times for one, times in found[kind].items() if times != 1} == {}, kind
    assert found["closed"] == sorted(told.closed)
    assert shop.broken() == []


def at_least(told: Acknowledged, count: int) -> None:
    """Wait until so many things were acknowledged, however busy this computer is: people are at work again."""
    until = time.monotonic() + 60
    while told.count < count:
        assert time.monotonic() < until, f"{told.count} of {count} acknowledged after a minute"
        time.sleep(0.01)


def test_killed_while_four_people_send(shop: Shop, figure: dict[str, object]) -> None:
    dice = random.Random(7)
    shop.start()
    with at_work(shop) as (told, odd):
        for _ in range(KILLS):
            at_least(told, told.count + PEOPLE)
            time.sleep(dice.uniform(0, 0.3))
            shop.kill()
            shop.start()
        at_least(told, told.count + PEOPLE)
    assert [reply.status for reply in odd] == []
    all_there(shop, told)
    figure["kill -9 of the server survived"] = KILLS
    figure["answers acknowledged meanwhile, all there"] = told.count


@pytest.mark.parametrize("times", [1, 2, 20])
def test_the_same_thing_sent_at_once_is_one_row_and_one_reply(shop: Shop, times: int) -> None:
    shop.start()
    ids = [str(uuid.uuid4()) for _ in range(4)]

    def together(send: object) -> set[tuple[int, str]]:
        gate = threading.Barrier(times)

        def one(_number: int) -> tuple[int, str]:
            gate.wait(timeout=30)
            reply = send()  # type: ignore[operator]
            return reply.status, reply.location

        with ThreadPoolExecutor(times) as pool:
            return set(pool.map(one, range(times)))

    ((_, job),) = opened = together(lambda: shop.intake(0, ids[0], "SB 0001"))
    ((_, run),) = started = together(lambda: shop.post(f"{job}start/horn-silent/", 0, client_id=ids[1]))
    answered = together(lambda: shop.post(f"{run}steps/press/answer/", 0, client_id=ids[2], outcome="sounds"))
    assert [len(replies) for replies in (opened, started, answered)] == [1, 1, 1]
    assert {status for status, _to in opened | started | answered} == {302}
    all_there(shop, Acknowledged(job=ids[:1], run=ids[1:2], result=ids[2:3]))


if not ON_A_SERVER:

    def test_a_locked_file_is_waited_for(shop: Shop, figure: dict[str, object]) -> None:
        shop.start()
        held = sqlite3.connect(shop.folder / "shop.sqlite3", isolation_level=None, check_same_thread=False)
        held.execute("BEGIN EXCLUSIVE")
        release = threading.Timer(LOCKED, lambda: held.execute("ROLLBACK"))
        release.start()
        sent = str(uuid.uuid4())
        assert shop.intake(0, sent, "SB 0002").status == 302
        release.join()
        held.close()
        figure["seconds a lock was waited for"] = LOCKED
        all_there(shop, Acknowledged(job=[sent]))


if ON_A_SERVER:

    def test_connections_cut_under_load(shop: Shop, figure: dict[str, object]) -> None:
        """What a restart of the server looks like to the shop: every connection ends at once."""
        import psycopg

        address = shop.environment["DATABASE_URL"]
        shop.start()
        with at_work(shop) as (told, odd), psycopg.connect(address, autocommit=True) as other:
            for _ in range(KILLS):
                time.sleep(0.3)
                other.execute(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE datname = current_database() AND pid <> pg_backend_pid()"
                )
            time.sleep(0.5)
        assert {reply.status for reply in odd} <= {503}
        assert all(any(words in reply.body for words in BUSY) for reply in odd)
        all_there(shop, told)
        figure["times all connections were cut"] = KILLS
