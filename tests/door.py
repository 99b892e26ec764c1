"""A door in front of a server: shut it and the server is gone for everybody; make it lose replies and nobody knows.

Replies can also be torn: their beginning arrives, then the connection is cut.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

CHUNK = 65_536


class Door:
    """Passes connections through to a server on this computer.

    ``loses``: asked once for each reply, after the server has done its work; True drops the reply and the connection.
    """

    def __init__(self, server: int, loses: Callable[[], bool] = lambda: False) -> None:
        self.server, self.loses = server, loses
        self.lost = 0
        self.torn_after: int | None = None
        """Bytes that arrive on a connection before it is cut; None lets all of them through."""
        self._open: set[socket.socket] = set()
        self._listener: socket.socket | None = None
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port: int = probe.getsockname()[1]

    @property
    def address(self) -> str:
        return f"http://localhost:{self.port}"

    def open(self) -> None:
        """Let people in, at the same address every time."""
        self._listener = socket.create_server(("127.0.0.1", self.port), backlog=64)
        threading.Thread(target=self._welcome, args=(self._listener,), daemon=True).start()

    def shut(self) -> None:
        """Refuse everybody, and cut off whoever is inside."""
        listener, self._listener = self._listener, None
        if listener is not None:
            with contextlib.suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)
            listener.close()
        for each in list(self._open):
            _hang_up(each)
        self._open.clear()

    def _welcome(self, listener: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                visitor, _ = listener.accept()
                self._pass_on(visitor)

    def _pass_on(self, visitor: socket.socket) -> None:
        try:
            inside = socket.create_connection(("127.0.0.1", self.server))
        except OSError:
            visitor.close()
            return
        self._open |= {visitor, inside}
        threading.Thread(target=self._pump, args=(visitor, inside, False), daemon=True).start()
        threading.Thread(target=self._pump, args=(inside, visitor, True), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, replies: bool) -> None:
        passed = 0
        with contextlib.suppress(OSError):
            while data := source.recv(CHUNK):
                if replies and data.startswith(b"HTTP/1.") and self.loses():
                    self.lost += 1
                    break
                if replies and self.torn_after is not None and passed + len(data) > self.torn_after:
                    sink.sendall(data[: self.torn_after - passed])
                    break
                sink.sendall(data)
                passed += len(data)
        for each in (source, sink):
            self._open.discard(each)
            _hang_up(each)


def _hang_up(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)
    connection.close()


@contextmanager
def door_before(server: int, loses: Callable[[], bool] = lambda: False) -> Iterator[Door]:
    """An open door before the server on this port."""
    door = Door(server, loses)
    door.open()
    try:
        yield door
    finally:
        door.shut()
