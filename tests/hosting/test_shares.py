"""What one address may send at once and how many threads work for it; whatever was refused is let go."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from shopkb.hosting.shares import FairShares

pytestmark = pytest.mark.one_database


def app(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    start_response("200 OK", [("Content-Type", "text/plain")])
    return [str(len(environ["wsgi.input"].read())).encode()]


class Sent:
    """One request: its pieces come when they are let, and what was answered."""

    def __init__(self, shares: FairShares, address: str, *, let: bool = True) -> None:
        self._shares, self._address, self._answered, self.at_work = shares, address, asyncio.Event(), False
        if let:
            self._answered.set()
        self._pieces: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self.answers: list[dict[str, Any]] = []
        self._task = asyncio.create_task(self._run())

    async def _run(self) -> None:
        scope = {
            "type": "http", "http_version": "1.1", "method": "POST", "path": "/", "query_string": b"", "headers": [],
            "client": (self._address, 5), "server": ("localhost", 80), "scheme": "http",
        }  # fmt: skip

        async def send(message: dict[str, Any]) -> None:
            self.answers.append(message)

        async def spawn(work: Callable[..., Any], *given: Any) -> None:
            self.at_work = True
            await self._answered.wait()
            self.at_work = False
            work(*given)

        def now(send: Any, message: dict[str, Any]) -> None:
            self.answers.append(message)

        await self._shares(scope, self._pieces.get, send, spawn, now)  # type: ignore[arg-type]

    async def piece(self, size: int, *, last: bool = False) -> None:
        self._pieces.put_nowait({"type": "http.request", "body": b"x" * size, "more_body": not last})
        for _ in range(5):
            await asyncio.sleep(0)

    async def status(self) -> int:
        await self._task
        return next(message["status"] for message in self.answers if "status" in message)

    def goes_away(self) -> None:
        self._pieces.put_nowait({"type": "http.disconnect"})

    def let(self) -> None:
        """The application answers."""
        self._answered.set()

    @property
    def body(self) -> bytes:
        return b"".join(message.get("body", b"") for message in self.answers)


def tried(work: Callable[[], Any]) -> None:
    asyncio.run(work())


def test_one_address_has_a_share_and_others_theirs() -> None:
    async def work() -> None:
        shares = FairShares(app, 1000, of_one=100, of_all=1000)
        first, second, other = (Sent(shares, address) for address in ("10.0.0.5", "10.0.0.5", "10.0.0.6"))
        await first.piece(60)
        await other.piece(60)
        await second.piece(60)
        assert await second.status() == 429
        assert b"Nothing was stored: send it again" in second.body
        await first.piece(10, last=True)
        await other.piece(10, last=True)
        assert (await first.status(), await other.status()) == (200, 200)
        assert (first.body, shares.held) == (b"70", {})
        again = Sent(shares, "10.0.0.5")
        await again.piece(90, last=True)
        assert await again.status() == 200

    tried(work)


def test_a_proxy_on_this_computer_sends_for_everybody_up_to_the_bound_of_all() -> None:
    async def work() -> None:
        shares = FairShares(app, 1000, of_one=100, of_all=150)
        held = [Sent(shares, address) for address in ("127.0.0.1", "::1")]
        for one in held:
            await one.piece(70)
        above = Sent(shares, "127.0.0.1")
        await above.piece(20)
        assert await above.status() == 429
        for one in held:
            await one.piece(0, last=True)
            assert await one.status() == 200
        assert shares.held == {}

    tried(work)


def test_a_body_that_comes_too_slowly_ends_in_words() -> None:
    async def work() -> None:
        shares = FairShares(app, 1000, seconds=0.05)
        slow = Sent(shares, "10.0.0.5")
        await slow.piece(1)
        assert await slow.status() == 408
        assert b"too slowly" in slow.body
        assert shares.held == {}

    tried(work)


def test_one_address_holds_half_of_the_threads_however_much_it_asks() -> None:
    """Its further requests wait their turn, in order; another address is worked for at once; too many are refused."""

    async def work() -> None:
        shares = FairShares(app, 1000, turns=2, waiting=3)
        flood = [Sent(shares, "10.0.0.5", let=False) for _ in range(6)]
        for one in flood:
            await one.piece(0, last=True)
        assert [one.at_work for one in flood] == [True, True, False, False, False, False]
        assert await flood[5].status() == 429
        other = Sent(shares, "10.0.0.6")
        await other.piece(3, last=True)
        assert await other.status() == 200
        for done, one in enumerate(flood[:5], start=1):
            one.let()
            assert await one.status() == 200
            for _ in range(5):
                await asyncio.sleep(0)
            assert [each.at_work for each in flood[:5]].count(True) == min(2, 5 - done)
        assert shares.turns == {}

    tried(work)


def test_a_proxy_on_this_computer_may_use_all_threads() -> None:
    async def work() -> None:
        shares = FairShares(app, 1000, turns=2, waiting=0)
        held = [Sent(shares, "127.0.0.1", let=False) for _ in range(6)]
        for one in held:
            await one.piece(0, last=True)
        assert all(one.at_work for one in held)
        for one in held:
            one.let()
            assert await one.status() == 200

    tried(work)


def test_a_body_whose_sender_went_away_is_not_taken_for_a_whole_one() -> None:
    """Also where nothing said how long it would be."""

    async def work() -> None:
        shares = FairShares(app, 1000)
        gone = Sent(shares, "10.0.0.5")
        await gone.piece(5)
        gone.goes_away()
        assert await gone.status() == 400
        assert shares.held == {}

    tried(work)
