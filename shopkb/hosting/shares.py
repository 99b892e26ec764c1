"""What one address may have on its way to us, and how many threads may work for it.

A request's body lies in memory until it is whole. A tablet sends one picture of 12 MB at a time. Without a bound a
thousand connections, or the streams of a few, fill the memory of a small computer without signing in, and a body that
comes a byte at a time is held for ever. Whole requests wait for one of the few threads in the order they came, so that
one address which asks without end would be served alone.
"""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any

from hypercorn.app_wrappers import WSGIWrapper

MIB = 1024 * 1024
OF_ONE = 64 * MIB
OF_ALL = 256 * MIB
BODY_SECONDS = 180.0
"""A picture of 12 MB over a network that carries half a megabit a second."""
TURNS = 4
"""Threads that may work for one address; half of those there are."""
WAITING = 60
"""Further requests of one address that may wait; a page with pictures asks for some dozen at once."""
log = logging.getLogger(__name__)
Message = dict[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]


class NotTaken(Exception):
    """The body is not taken in any further: the status, and a sentence for the sender."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


@dataclass
class _Turns:
    """``asked``: requests of one address that are worked on or wait."""

    places: asyncio.Semaphore
    asked: int = 0


class FairShares(WSGIWrapper):
    """Takes in bodies for a WSGI application, so many bytes at once of one address and of all, and for so long; then
    each address has so many turns at once.

    This computer's own address has no bound of its own: a proxy here sends for everybody.
    """

    def __init__(
        self, app: Any, largest: int, *, of_one: int = OF_ONE, of_all: int = OF_ALL, seconds: float = BODY_SECONDS,
        turns: int = TURNS, waiting: int = WAITING,
    ) -> None:  # fmt: skip
        super().__init__(app, largest)
        self._turns, self._waiting = turns, waiting
        self._of_one, self._of_all, self._seconds = of_one, of_all, seconds
        self.held: Counter[str] = Counter()
        """Bytes in memory by address."""
        self.turns: dict[str, _Turns] = {}
        """By address, while it has any."""

    async def handle_http(self, scope: Any, receive: Any, send: Any, sync_spawn: Any, call_soon: Any) -> None:
        address = (scope.get("client") or ("",))[0]
        until = asyncio.get_running_loop().time() + self._seconds
        taken = 0

        async def bounded() -> Message:
            nonlocal taken
            message = await self._next(receive, until)
            if message["type"] == "http.disconnect":
                raise NotTaken(400, "The request was cut off on its way. Nothing was stored: send it again.")
            size = len(message.get("body", b""))
            taken += size
            self.held[address] += size
            self._refuse_too_much(address)
            return message

        async def in_turn(work: Callable[..., Any], *given: Any) -> None:
            async with self._turn(address):
                await sync_spawn(work, *given)

        try:
            await super().handle_http(scope, bounded, send, in_turn, call_soon)  # type: ignore[arg-type]
        except NotTaken as refused:
            log.info("A body from %s was not taken in: %s", address, refused.status)
            await _refuse(send, refused)
        finally:
            self.held[address] -= taken
            if not self.held[address]:
                del self.held[address]

    @asynccontextmanager
    async def _turn(self, address: str) -> AsyncIterator[None]:
        """Raises:
        NotTaken: too many of this address wait already.
        """
        if _is_ours(address):
            yield
            return
        turns = self.turns.setdefault(address, _Turns(asyncio.Semaphore(self._turns)))
        if turns.asked >= self._turns + self._waiting:
            raise NotTaken(429, "Too much is asked for at once. Try again in a moment.")
        turns.asked += 1
        try:
            async with turns.places:
                yield
        finally:
            turns.asked -= 1
            if not turns.asked:
                self.turns.pop(address, None)

    async def _next(self, receive: Receive, until: float) -> Message:
        left = until - asyncio.get_running_loop().time()
        try:
            return await asyncio.wait_for(receive(), max(left, 0.001))
        except TimeoutError:
            raise NotTaken(408, "This came too slowly and was not stored. Send it again.") from None

    def _refuse_too_much(self, address: str) -> None:
        of_one = self.held[address] > self._of_one and not _is_ours(address)
        if of_one or self.held.total() > self._of_all:
            raise NotTaken(429, "Too much is being sent at once. Nothing was stored: send it again in a moment.")


def _is_ours(address: str) -> bool:
    with suppress(ValueError):
        return ip_address(address).is_loopback
    return False


async def _refuse(send: Send, refused: NotTaken) -> None:
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"retry-after", b"5")]
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": f"{refused.words}\n".encode(), "more_body": False})
