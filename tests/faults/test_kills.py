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
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from tests.faults.forked import Loaded
from tests.faults.shop import PEOPLE, Acknowledged, Reply, Shop, at_work

KILLS = int(os.environ.get("SHOPKB_KILLS", "4"))
SEED = int(os.environ.get("SHOPKB_SEED", "7"))
LOCKED = float(os.environ.get("SHOPKB_LOCKED", "2"))
FORKED = "SHOPKB_FORKED" in os.environ
"""Whether servers are started as forks of one that is loaded: for many kills."""
ON_A_SERVER = os.environ.get("DATABASE_URL", "").startswith("postgres")
BUSY = {"The records cannot be reached just now", "kept the records busy for too long"}


def all_there(shop: Shop, told: Acknowledged) -> None:
    found = shop.found(told)
    for kind in ("job", "run", "result", "value", "repair", "verification", "photo"):
        assert {one: times for one, times in found[kind].items() if times != 1} == {}, kind
    assert found["cut off"] == []
    assert found["closed"] == sorted(told.closed)
    assert shop.broken() == []


def at_least(told: Acknowledged, count: int) -> None:
    """Wait until so many things were acknowledged, however busy this computer is: people are at work again."""
    until = time.monotonic() + 60
    while told.count < count:
        assert time.monotonic() < until, f"{told.count} of {count} acknowledged after a minute"
        time.sleep(0.01)


def test_killed_while_four_people_send(shop: Shop, figure: dict[str, object]) -> None:
    dice = random.Random(SEED)
    if FORKED:
        shop.loaded = Loaded(shop.environment)
    shop.start()
    with at_work(shop) as (told, odd):
        for _ in range(KILLS):
            at_least(told, told.count + PEOPLE)
            time.sleep(dice.uniform(0, 0.3))
            shop.kill()
            shop.start()
        at_least(told, told.count + PEOPLE)
    assert [(reply.status, reply.body[:200]) for reply in odd] == []
    all_there(shop, told)
    if shop.loaded is not None:
        shop.kill()
        shop.loaded.end()
    figure["kill -9 of the server survived"] = KILLS
    figure["answers acknowledged meanwhile, all there"] = told.count
    figure["of them whole jobs of a device, with checked repair"] = len(told.verification)
    figure["of them pictures, whole"] = len(told.photo)


def at_once(times: int, send: Callable[[], Reply]) -> set[tuple[int, str]]:
    """The same thing sent over so many connections together: the different replies."""
    gate = threading.Barrier(times)

    def one(_number: int) -> tuple[int, str]:
        gate.wait(timeout=30)
        reply = send()
        return reply.status, reply.location

    with ThreadPoolExecutor(times) as pool:
        return set(pool.map(one, range(times)))


def test_the_same_thing_sent_at_once_is_one_row_and_one_reply(shop: Shop) -> None:
    """Over one, two, twenty connections, to one server."""
    shop.start()
    told = Acknowledged()
    for times in (1, 2, 20):
        job_id, run_id, result_id = ids = [str(uuid.uuid4()) for _ in range(3)]
        ((_, job),) = opened = at_once(times, partial(shop.intake, 0, job_id, f"SB 00{times:02}"))
        ((_, run),) = started = at_once(times, partial(shop.post, f"{job}start/horn-silent/", 0, client_id=run_id))
        answer = partial(shop.post, f"{run}steps/press/answer/", 0, client_id=result_id, outcome="sounds")
        answered = at_once(times, answer)
        assert [len(replies) for replies in (opened, started, answered)] == [1, 1, 1]
        assert {status for status, _to in opened | started | answered} == {302}
        for kind, sent in zip((told.job, told.run, told.result), ids, strict=True):
            kind.append(sent)
    all_there(shop, told)


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
