"""Write transactions of one process on SQLite begin in the order they were asked for, and no turn is ever lost."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from django.db.utils import OperationalError
from pytest_django import DjangoDbBlocker

from shopkb.web.fair_sqlite3.base import DatabaseWrapper, Turns, turns_of

pytestmark = pytest.mark.one_database

Open = Callable[[], DatabaseWrapper]


@pytest.fixture
def opened(tmp_path: Path, django_db_blocker: DjangoDbBlocker) -> Iterator[Open]:
    """A new connection to the same file each time, closed at the end."""
    held: list[DatabaseWrapper] = []
    name = str(tmp_path / "turns.sqlite3")

    def make() -> DatabaseWrapper:
        held.append(
            DatabaseWrapper(
                {"NAME": name, "ENGINE": "shopkb.web.fair_sqlite3", "ATOMIC_REQUESTS": False, "AUTOCOMMIT": True,
                 "CONN_MAX_AGE": 0, "CONN_HEALTH_CHECKS": False, "TIME_ZONE": None, "USER": "", "PASSWORD": "",
                 "HOST": "", "PORT": "", "TEST": {}, "OPTIONS": {"transaction_mode": "IMMEDIATE", "timeout": 0.3}},
                "turns",
            )
        )  # fmt: skip
        held[-1].inc_thread_sharing()
        return held[-1]

    with django_db_blocker.unblock():
        with make().cursor() as cursor:
            cursor.execute("CREATE TABLE noted (who INTEGER)")
        yield make
        for one in held:
            one.close()


def begin(one: DatabaseWrapper) -> None:
    one.set_autocommit(False, force_begin_transaction_with_broken_autocommit=True)


def end(one: DatabaseWrapper) -> None:
    one.commit()
    one.set_autocommit(True)


def is_free(one: DatabaseWrapper) -> bool:
    turns = turns_of(str(one.settings_dict["NAME"]))
    free = turns.take(0)
    if free:
        turns.give_back()
    return free


def until(true: Callable[[], bool]) -> None:
    most = time.monotonic() + 20
    while not true():
        assert time.monotonic() < most
        time.sleep(0.001)


def test_turns_come_in_the_order_they_were_asked_for() -> None:
    turns, order = Turns(), []
    assert turns.take(0)

    def ask(number: int) -> None:
        assert turns.take(20)
        order.append(number)
        turns.give_back()

    with ThreadPoolExecutor(12) as people:
        for number in range(12):
            people.submit(ask, number)
            until(lambda wanted=number + 1: len(turns._waiting) == wanted)  # type: ignore[misc]
        turns.give_back()
    assert order == list(range(12))
    assert turns.take(0)


def test_who_waited_too_long_is_not_in_the_queue_any_more() -> None:
    turns = Turns()
    assert turns.take(0)
    assert not turns.take(0.01)
    turns.give_back()
    assert turns.take(0)


def test_whoever_asks_again_at_once_comes_behind_those_who_wait(opened: Open) -> None:
    """Where the file's lock alone decided, one that was just served came first again and again."""
    first, others, order = opened(), [opened() for _ in range(3)], []
    turns = turns_of(str(first.settings_dict["NAME"]))
    begin(first)

    def write(number: int) -> None:
        begin(others[number])
        order.append(number)
        end(others[number])

    with ThreadPoolExecutor(3) as people:
        for number in range(3):
            people.submit(write, number)
            until(lambda wanted=number + 1: len(turns._waiting) == wanted)  # type: ignore[misc]
        end(first)
        begin(first)
        order.append(99)
        end(first)
    assert order == [0, 1, 2, 99]


@pytest.mark.parametrize("how", ["commit", "rollback", "close", "commit fails"])
def test_a_turn_ends_with_its_transaction(opened: Open, how: str) -> None:
    one, other = opened(), opened()
    begin(one)
    with one.cursor() as cursor:
        cursor.execute("INSERT INTO noted VALUES (1)")
    assert not is_free(one)
    if how == "commit fails":
        reader = sqlite3.connect(one.settings_dict["NAME"], isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM noted").fetchall()
        with pytest.raises(OperationalError):
            one.commit()
        assert not is_free(one)  # the transaction is open still
        reader.close()
        one.rollback()
    else:
        getattr(one, how)()
    assert is_free(one)
    begin(other)
    end(other)


def test_a_transaction_that_cannot_begin_leaves_the_turn_to_others(opened: Open) -> None:
    one = opened()
    process = sqlite3.connect(one.settings_dict["NAME"], isolation_level=None)
    process.execute("BEGIN IMMEDIATE")
    with pytest.raises(OperationalError, match="locked"):
        begin(one)
    assert is_free(one)
    process.close()


def test_whoever_waits_longer_than_the_options_allow_is_told_as_the_file_would(opened: Open) -> None:
    one, other = opened(), opened()
    begin(one)
    with pytest.raises(OperationalError, match="database is locked"):
        begin(other)
    end(one)
    begin(other)
    end(other)


def test_each_file_has_a_queue_of_its_own() -> None:
    assert turns_of("a") is turns_of("a")
    assert turns_of("a") is not turns_of("b")


def test_the_shop_uses_it() -> None:
    from django.db import connections

    if connections["default"].vendor == "sqlite":
        assert isinstance(connections["default"], DatabaseWrapper)


def test_threads_that_write_lose_nothing(opened: Open) -> None:
    people = [opened() for _ in range(6)]
    for one in people:
        one.settings_dict["OPTIONS"]["timeout"] = 20

    def write(one: DatabaseWrapper) -> None:
        for number in range(20):
            begin(one)
            with one.cursor() as cursor:
                cursor.execute("INSERT INTO noted VALUES (%s)", [number])
            end(one)

    threads = [threading.Thread(target=write, args=(one,)) for one in people]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with people[0].cursor() as cursor:
        assert cursor.execute("SELECT count(*) FROM noted").fetchone()[0] == 120
