"""Servers that begin in a moment, for many kills: the program is loaded once, and each server is a fork of that.

A killed server loses its memory, threads, locks and connections as ever, and the next one runs ``serve`` from its
first line; only the modules are not read from the disk again, which takes three seconds of a processor.

``python -m tests.faults.forked`` reads one port a line, answers with the number of the process that serves it, and with
another line when that process is gone. It ends with its input.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


class Loaded:
    """The process that has the program in memory, for one folder or database."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.forked"], cwd=ROOT, env=environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def serve(self, port: int) -> ForkedServer:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{port}\n")
        self._process.stdin.flush()
        return ForkedServer(self, int(self.line()))

    def line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "The process that had the program loaded is gone."
        return line

    def end(self) -> None:
        self._process.communicate()


class ForkedServer:
    """One server, to be signalled and waited for like a process of one's own."""

    def __init__(self, loaded: Loaded, pid: int) -> None:
        self._loaded, self.pid = loaded, pid

    def send_signal(self, number: int) -> None:
        os.kill(self.pid, number)

    def wait(self) -> None:
        self._loaded.line()


def main() -> None:
    import django

    django.setup()

    from django.core.management import call_command
    from django.db import connections
    from django.urls import get_resolver

    import shopkb.reports.cache_warming
    import shopkb.wsgi  # noqa: F401

    assert get_resolver().url_patterns
    connections.close_all()
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            nothing = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(nothing, stream)
            call_command("serve", port=int(line))
            os._exit(0)
        print(pid, flush=True)
        _pid, how = os.waitpid(pid, 0)
        print("killed" if os.WIFSIGNALED(how) and os.WTERMSIG(how) == signal.SIGKILL else "ended", flush=True)


if __name__ == "__main__":
    main()
