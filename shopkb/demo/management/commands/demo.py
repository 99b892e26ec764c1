from __future__ import annotations

import gc
import os
import socket
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.demo.editions import WorldError
from shopkb.demo.models import DemoMark
from shopkb.demo.people import PASSWORD
from shopkb.demo.truth import TruthError
from shopkb.demo.world import Plan, build

FAULTY, REFUSED = 1, 2
HOST = "127.0.0.1"
PORTS_TRIED = 20


class Command(BaseCommand):
    help = (
        "Make the invented world of Withy Saltings Community Buses in a database of its own and serve it on this "
        "computer. Started again, it serves what is there. "
        "Exits with 0 when it was stopped, 1 when a file of the demo is faulty, 2 when the database is not the demo's."
    )
    requires_system_checks: tuple[str, ...] = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", type=int, default=8000, help="The next free port is taken if this one is not.")
        parser.add_argument("--no-serve", action="store_true", help="Make the world and end.")
        parser.add_argument("--jobs", type=int, default=3000, help="About how many closed jobs to make.")
        parser.add_argument("--seed", type=int, default=11, help="The same seed makes the same jobs.")
        parser.add_argument("--reset", action="store_true", help="Throw the demo's database away and make it anew.")

    def handle(self, *args: Any, **options: Any) -> None:
        state = _state()
        if state == "other":
            raise CommandError(_refusal(), returncode=REFUSED)
        if state == "demo" and not options["reset"]:
            self._say("The demo is there already; everything done in it is kept.")
            call_command("migrate", verbosity=0)
        else:
            self._make(options, again=state != "empty")
        self._tell()
        if not options["no_serve"]:
            self._serve(options["port"])

    def _make(self, options: dict[str, Any], *, again: bool) -> None:
        if options["jobs"] < 1:
            raise CommandError("Write a number of jobs of 1 or more.", returncode=REFUSED)
        if again:
            self._say("The demo's old database is thrown away.")
            _throw_away()
        self._say("Making the invented world. This takes about half a minute.")
        _hurry()
        call_command("migrate", verbosity=0)
        self._say("  Database.")
        plan = Plan(settings.BASE_DIR, timezone.now().replace(microsecond=0), options["seed"], options["jobs"])
        try:
            for line in build(plan):
                self._say(f"  {line}")
        except (WorldError, TruthError) as error:
            raise CommandError(str(error), returncode=FAULTY) from error
        connection.close()

    def _tell(self) -> None:
        self._say(f"\nEverything is invented. Log-ins, all with the password {PASSWORD}:")
        for person in User.objects.order_by("role", "username"):
            self._say(f"  {person.username:<10} {person.role:<10} {person}")
        self._say("To begin anew: python manage.py demo --reset")

    def _serve(self, wanted: int) -> None:
        from waitress import serve

        from shopkb.demo.first_scores import measure_once
        from shopkb.procedures.drawing import draw_first_chart
        from shopkb.reports.cache_warming import warm_in_background
        from shopkb.wsgi import application

        port = free_port(wanted)
        if port != wanted:
            self._say(f"Port {wanted} is taken, so {port} is used.")
        connection.close()
        self._say(f"\nOpen http://{HOST}:{port}/ in a browser. Ctrl+C ends the demo.")
        draw_first_chart()
        warm_in_background(measure_once)
        serve(application, host=HOST, port=port, threads=8)

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()


def free_port(wanted: int) -> int:
    """The first port from ``wanted`` on that nobody listens on.

    Raises:
        CommandError: none of the next few is free.
    """
    for port in range(wanted, min(wanted + PORTS_TRIED, 65536)):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            if os.name == "posix":
                # As the server does: a port that a server left a moment ago counts as free.
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((HOST, port))
            except (OSError, OverflowError):
                continue
            return port
    raise CommandError(f"No port from {wanted} on is free. Name another with --port.", returncode=REFUSED)


def _state() -> str:
    """``empty``, ``demo``, ``unfinished`` (a demo that was broken off while it was made) or ``other``."""
    if settings.WORLD != "demo":
        return "other"
    tables = connection.introspection.table_names()
    if not tables:
        return "empty"
    if DemoMark._meta.db_table not in tables:
        return "other"
    mark = DemoMark.objects.first()
    if mark is None:
        return "other"
    return "demo" if mark.jobs else "unfinished"


def _refusal() -> str:
    name = connection.settings_dict["NAME"]
    if settings.WORLD != "demo":
        return (
            f"SHOPKB_WORLD is {settings.WORLD!r}, so {name} is not the demo's database and was not touched. "
            "Leave SHOPKB_WORLD out: python manage.py demo"
        )
    return (
        f"{name} holds data that the demo did not make, so it was not touched. Right would be an empty database: "
        "unset DATABASE_URL, or name another folder in SHOPKB_DATA_DIR."
    )


def _throw_away() -> None:
    """Empty the demo's own database: the file goes, or its rows where the database is a server."""
    if connection.vendor != "sqlite":
        call_command("flush", interactive=False, verbosity=0)
        return
    connection.close()
    name = Path(connection.settings_dict["NAME"])
    for path in (name, name.with_name(f"{name.name}-journal"), name.with_name(f"{name.name}-wal")):
        path.unlink(missing_ok=True)


def _hurry() -> None:
    """Do not wait for the disk while the world is made: what is broken off is made anew. Ends with the connection.

    Rows made by the ten thousand hold no loops, so garbage is looked for less often.
    """
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA synchronous=OFF")
            cursor.execute("PRAGMA journal_mode=MEMORY")
