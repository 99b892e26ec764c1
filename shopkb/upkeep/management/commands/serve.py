from __future__ import annotations

from argparse import ArgumentParser
from ipaddress import ip_address
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from shopkb.upkeep.modes import close_to_others

THREADS = 8
LARGEST_BODY = 16 * 1024 * 1024
"""Bytes: a picture of 12 MB and its form."""
LIMITS: dict[str, Any] = {
    "threads": THREADS,
    "channel_timeout": 30,
    "cleanup_interval": 5,
    "asyncore_use_poll": True,
    "max_request_body_size": LARGEST_BODY,
    "max_request_header_size": 64 * 1024,
    "ident": None,
}
MOST_CONNECTIONS = 1000
"""Connections that send nothing cost little memory and no thread; each is closed after ``channel_timeout`` seconds."""
OPEN_FILES = 200
"""Files and connections to the database that the server needs beside them."""
REFUSED = 2


PLAIN = (
    "Serving on {host} without HTTPS: whoever shares the network can read passwords, PINs and customers' vehicles. "
    "Put TLS in front and set SHOPKB_HTTPS=yes, or serve on 127.0.0.1."
)


class Command(BaseCommand):
    help = "Serve the shop. One process with threads, the same on every system. Exits with 2 when it must not start."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="0.0.0.0 for the whole network: put TLS in front.")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, **options: Any) -> None:
        from waitress import serve

        from shopkb.procedures.drawing import draw_first_chart
        from shopkb.reports.cache_warming import warm_in_background
        from shopkb.wsgi import application

        if settings.DEBUG:
            raise CommandError("SHOPKB_DEBUG is on; pages would show their insides. Switch it off.", returncode=REFUSED)
        self.check(databases=["default"], display_num_errors=True)
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            raise CommandError(
                "The database is of another version. Back it up, then run: manage.py migrate", returncode=REFUSED
            )
        connection.close()
        for place in close_to_others():
            self.stdout.write(f"{place} was open to every account of this computer; it is closed to others now.")
        if not (settings.HTTPS or on_this_computer(options["host"])):
            self.stderr.write(self.style.WARNING(PLAIN.format(host=options["host"])))
        self.stdout.write(f"Serving on http://{options['host']}:{options['port']}/ until Ctrl+C.")
        self.stdout.flush()
        draw_first_chart()
        warm_in_background()
        limits = {**LIMITS, "connection_limit": most_connections()}
        serve(application, host=options["host"], port=options["port"], **limits, **behind_proxy())


def most_connections() -> int:
    """As many as the system lets this process hold open, and never more than :data:`MOST_CONNECTIONS`."""
    try:
        import resource
    except ImportError:  # Windows, whose limit is higher
        return MOST_CONNECTIONS
    allowed, _highest = resource.getrlimit(resource.RLIMIT_NOFILE)
    return max(100, min(MOST_CONNECTIONS, allowed - OPEN_FILES))


def on_this_computer(host: str) -> bool:
    """Whether only programs on this computer can reach this address."""
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


def behind_proxy() -> dict[str, Any]:
    """Trust what a proxy on this machine says of the visitor's address and scheme, if there is one; nobody else."""
    proxied = bool(settings.SECURE_PROXY_SSL_HEADER)
    if not proxied:
        return {"clear_untrusted_proxy_headers": True}
    return {
        "trusted_proxy": "127.0.0.1",
        "trusted_proxy_count": 1,
        "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"},
        "clear_untrusted_proxy_headers": True,
    }
