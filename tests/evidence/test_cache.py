"""What is remembered is given back only while what it rests on is equal."""

from __future__ import annotations

import re
from collections import OrderedDict
from concurrent.futures import ThreadPoolExecutor
from threading import Lock
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from pytest_django import Settings

from shopkb.accounts.models import User
from shopkb.evidence import learning, tally_log
from shopkb.evidence.cache import Cache, TallyCache, _caches, clear_all
from shopkb.procedures.models import Procedure
from shopkb.reports.pages import registry
from tests import builders


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 2)), max_size=60), st.integers(1, 4))
def test_a_value_is_always_that_of_what_it_rests_on(asked: list[tuple[int, int]], most: int) -> None:
    held: Cache[tuple[int, int]] = Cache(most)
    for name, rests_on in asked:
        assert held.of(name, rests_on, lambda pair=(name, rests_on): pair) == (name, rests_on)


def test_an_equal_foundation_is_not_worked_out_again() -> None:
    held: Cache[int] = Cache(2)
    made: list[int] = []

    def make() -> int:
        made.append(1)
        return len(made)

    assert [held.of("a", {"jobs": 1}, make), held.of("a", {"jobs": 1}, make)] == [1, 1]
    assert held.of("a", {"jobs": 2}, make) == 2
    assert held.get("a", {"jobs": 1}) is None


def test_the_one_not_asked_for_longest_goes_first() -> None:
    held: Cache[str] = Cache(2)
    for name in ("a", "b"):
        held.keep(name, 0, name)
    held.of("a", 0, lambda: "again")
    held.keep("c", 0, "c")
    assert [held.get(name, 0) for name in "abc"] == ["a", None, "c"]
    clear_all()
    assert held.get("a", 0) is None


class Guarded(OrderedDict[Any, Any]):
    """Fails where it is read or changed without the lock."""

    def __init__(self, lock: Lock) -> None:
        super().__init__()
        self.lock, self.touched = lock, 0

    def _touch(self) -> None:
        self.touched += 1
        assert self.lock.locked()

    def get(self, key: Any, default: Any = None) -> Any:
        self._touch()
        return super().get(key, default)

    def __getitem__(self, key: Any) -> Any:
        self._touch()
        return super().__getitem__(key)

    def __setitem__(self, key: Any, value: Any) -> None:
        self._touch()
        super().__setitem__(key, value)

    def move_to_end(self, key: Any, last: bool = True) -> None:
        self._touch()
        super().move_to_end(key, last)

    def popitem(self, last: bool = True) -> Any:
        self._touch()
        return super().popitem(last)

    def clear(self) -> None:
        self._touch()
        super().clear()


def test_threads_share_a_cache_under_its_lock() -> None:
    """Each access to what is kept stands under the lock: eight threads find the right values, and no more are kept."""
    shared: Cache[tuple[int, int]] = Cache(3)
    shared._entries = guarded = Guarded(shared._lock)

    def ask(seed: int) -> bool:
        pairs = [(number * seed % 7, number % 2) for number in range(200)]
        return all(shared.of(name, depends_on, lambda pair=(name, depends_on): pair) == (name, depends_on)
                   for name, depends_on in pairs)  # fmt: skip

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(ask, range(1, 9)))
    assert len(shared) == 3
    assert guarded.touched > 1600
    shared.clear()


def test_the_log_of_changes_is_written_under_its_lock(monkeypatch: pytest.MonkeyPatch) -> None:
    changes = Guarded(tally_log._lock)
    monkeypatch.setattr(tally_log, "_changes", changes)
    changes.lock.acquire()
    changes["horn"] = OrderedDict()
    changes.lock.release()
    tally_log.record({"horn": 1}, tally_log.TallyChange({}, {}))
    assert tally_log.changes_since("horn", 0, 1) == [({}, {})]
    assert changes.touched == 3
    tally_log.forget()
    assert tally_log.changes_since("horn", 0, 1) is None


def test_with_the_setting_off_nothing_kept_before_is_given_back(settings: Settings) -> None:
    """Neither a value nor one that could be updated; and nothing new is kept."""
    values: Cache[str] = Cache(2)
    counts: TallyCache[int] = TallyCache(2, lambda value, changes: value)
    values.keep("a", 0, "kept")
    counts.keep("a", 5, 1)
    settings.REMEMBER_FIGURES = False
    assert values.get("a", 0) is None
    assert values.of("a", 0, lambda: "made") == "made"
    assert counts.at_stamp("a", "horn", 5) is None
    settings.REMEMBER_FIGURES = True
    assert values.get("a", 0) == "kept"


@pytest.mark.django_db
def test_what_was_counted_while_tallies_moved_is_not_kept(horn: Procedure) -> None:
    """A job closed between reading the stamp and reading the tallies: the value is shown once and counted anew."""
    counts: TallyCache[int] = TallyCache(2, lambda value, changes: None)
    stamp = learning.stamps((horn.key,))[horn.key]

    def count_while_a_job_closes() -> int:
        key = learning.TallyKey(horn.key, "press", "click", "", "", "godwit", "2026-02")
        learning.add_evidence({key: learning.TallySums(3)})
        return 1

    assert counts.counted("a", horn.key, stamp, count_while_a_job_closes) == 1
    assert learning.stamps((horn.key,))[horn.key] != stamp
    assert counts.at_stamp("a", horn.key, stamp) is None
    assert counts.counted("a", horn.key, stamp + 1, lambda: 2) == 2
    assert counts.at_stamp("a", horn.key, stamp + 1) == 2


@pytest.mark.django_db
def test_pages_say_the_same_with_nothing_kept(
    client: Client, horn: Procedure, junior: User, manager: User, settings: Settings
) -> None:
    """The step page, the procedure's page and every page of figures: first cold, then kept, then with the cache off."""
    for _ in range(3):
        builders.cured_job(horn, junior)
    run = builders.start(builders.take_in(junior), horn, junior)
    client.force_login(manager)
    addresses = [
        reverse("jobs:step", args=[run.pk, "press"]),
        reverse("procedures:procedure", args=[horn.key]),
        *(reverse("reports:page", args=[name]) for name in registry.PAGES),
    ]

    def seen() -> list[str]:
        return [without_tokens(client.get(address).content.decode()) for address in addresses]

    cold, kept = seen(), seen()
    settings.REMEMBER_FIGURES = False
    clear_all()
    off = seen()
    assert cold == kept == off
    assert not any(len(each) for each in _caches)


def without_tokens(html: str) -> str:
    """The page without what is drawn by chance for each request."""
    html = re.sub(r'name="csrfmiddlewaretoken" value="[^"]*"|"X-CSRFToken": "[^"]*"', "", html)
    return re.sub(r'name="client_id" value="[^"]*"', "", html)
