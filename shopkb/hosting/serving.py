"""The service: one process that speaks plain HTTP to this computer and TLS to the network.

Hypercorn, because it takes in a whole request before a thread works on it, so that connections which send slowly or
nothing cost no thread, in the middle of a TLS handshake neither; and because it serves both ways in one process, where
what is remembered of the figures stays right. Pages run in the same few threads for both.
"""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from ssl import SSLContext
from typing import Any

from hypercorn.asyncio.run import worker_serve
from hypercorn.config import Config

from shopkb.hosting.shares import FairShares
from shopkb.upkeep.management.commands.serve import LARGEST_BODY, THREADS

HANDSHAKE_SECONDS = 20
READ_SECONDS = 30
IDLE_SECONDS = 30
STOP_SECONDS = 10
"""How long pages under way may take to end once the service is told to."""
HEADER_BYTES = 64 * 1024
MOST_FILES = 65_536
log = logging.getLogger(__name__)
_connections = logging.getLogger(f"{__name__}.connections")
Application = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


class Listening(Config):
    """Where and how the service listens. The TLS context is kept, so that a renewed certificate can be put into it."""

    def __init__(self, plain: list[str], tls: list[str], certificate: Path | None, key: Path | None) -> None:
        super().__init__()
        self.context: SSLContext | None = None
        if certificate is not None and key is not None:
            self.bind, self.insecure_bind = tls, plain
            self.certfile, self.keyfile = str(certificate), str(key)
        else:
            self.bind = plain
        self.ssl_handshake_timeout = HANDSHAKE_SECONDS
        self.read_timeout = READ_SECONDS
        self.keep_alive_timeout = IDLE_SECONDS
        self.graceful_timeout = STOP_SECONDS
        self.shutdown_timeout = STOP_SECONDS
        self.wsgi_max_body_size = LARGEST_BODY
        self.h11_max_incomplete_size = HEADER_BYTES
        self.h2_max_header_list_size = HEADER_BYTES
        self.include_server_header = False
        self.errorlog = _connections

    def create_ssl_context(self) -> SSLContext | None:
        self.context = super().create_ssl_context()
        return self.context

    def renew(self) -> None:
        """Connections made from now on get the certificate that the files hold by now."""
        if self.context is not None and self.certfile is not None:
            self.context.load_cert_chain(self.certfile, self.keyfile)


def run(application: Application, listening: Listening) -> None:
    """Serve until the process is asked to stop (Ctrl+C, or the signal that ends a service)."""
    allow_many_files()
    _connections.addFilter(_of_ours)
    asyncio.run(_run(with_a_head(only_whole(application)), listening))


def only_whole(application: Application) -> Application:
    """Refuse a request whose body is shorter than it says: its sender went away, and half a form is not what was meant.

    Hypercorn hands it on as if it were whole.
    """

    def answer(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        said = environ.get("CONTENT_LENGTH") or "0"
        if said.isdecimal() and environ["wsgi.input"].getbuffer().nbytes >= int(said):
            return application(environ, start_response)
        start_response("400 Bad Request", [("Content-Type", "text/plain; charset=utf-8")])
        return [b"The request was cut off on its way. Nothing was stored: send it again.\n"]

    return answer


def with_a_head(application: Application) -> Application:
    """An answer without a body (a file that has not changed, the head of a page) as one with an empty piece.

    Hypercorn sends the head of an answer with the first piece of its body, hence none of an answer without pieces.
    """

    def answer(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        return _Pieces(application(environ, start_response))

    return answer


class _Pieces:
    """The pieces of a body, or one empty one."""

    def __init__(self, body: Iterable[bytes]) -> None:
        self._body = body

    def __iter__(self) -> Iterator[bytes]:
        none = True
        for piece in self._body:
            none = False
            yield piece
        if none:
            yield b""

    def close(self) -> None:
        close = getattr(self._body, "close", None)
        if close is not None:
            close()


def _of_ours(record: logging.LogRecord) -> bool:
    """Whether a line of the server is about us: not one about a visitor who broke off, or does not end TLS well."""
    error = record.exc_info[1] if record.exc_info else None
    return record.levelno >= logging.WARNING and not isinstance(error, OSError | EOFError)


async def _run(application: Application, listening: Listening) -> None:
    loop = asyncio.get_running_loop()
    loop.set_default_executor(ThreadPoolExecutor(THREADS, thread_name_prefix="pages"))
    loop.set_exception_handler(_odd_connection)
    asked = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(NotImplementedError):  # Windows: Ctrl+C raises KeyboardInterrupt instead
            loop.add_signal_handler(number, asked.set)
    shares = FairShares(application, LARGEST_BODY)
    await worker_serve(shares, listening, shutdown_trigger=asked.wait)


def _odd_connection(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """As :func:`_of_ours`, for what nobody waited for."""
    error = context.get("exception")
    if isinstance(error, OSError | EOFError):
        log.info("A connection ended oddly: %r", error)
        return
    log.error("%s", context.get("message"), exc_info=error)


def allow_many_files() -> None:
    """Let this process hold as many connections open as the system allows without asking anybody."""
    try:
        import resource
    except ImportError:  # Windows, whose limit is higher
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = MOST_FILES if hard == resource.RLIM_INFINITY else min(hard, MOST_FILES)
    if soft != resource.RLIM_INFINITY and soft < most:
        with suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
