from __future__ import annotations

import logging
import os
import socket
from argparse import ArgumentParser
from contextlib import suppress
from pathlib import Path
from threading import Thread
from time import sleep
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, connection
from django.utils import timezone

from shopkb.hosting import certificates, first_run, network, only_one, place, scheduled, upgrading
from shopkb.upkeep.modes import close_to_others

FAILED, REFUSED = 1, 2
HOST = "127.0.0.1"
EVERYWHERE = "0.0.0.0"  # noqa: S104 - in the open the network sees one page, see shopkb.hosting.plain
LOOKED_EVERY = 300.0
"""Seconds between two looks at the addresses of this computer."""
log = logging.getLogger(__name__)


class Command(BaseCommand):
    help = (
        "Make and serve a real shop. The first time it makes the database and prints a one-time address, at which the "
        "shop is opened in a browser; later it serves what is there. A shop of an older version is backed up and "
        "brought to this one, or left as it was. Exits with 0 when it was stopped, 1 when something failed and "
        "nothing was changed, 2 when it must not start."
    )
    requires_system_checks: tuple[str, ...] = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", type=int, default=8000, help="Where it is served on this computer.")
        parser.add_argument("--tls-port", type=int, default=8443, help="Where tablets reach it, with TLS.")
        parser.add_argument("--local", action="store_true", help="For this computer alone: nothing on the network.")
        parser.add_argument("--no-serve", action="store_true", help="Make or upgrade it and end.")

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.DEBUG:
            raise CommandError("SHOPKB_DEBUG is on; pages would show their insides. Switch it off.", returncode=REFUSED)
        if settings.SECURE_SSL_REDIRECT or getattr(settings, "SECURE_PROXY_SSL_HEADER", None):
            raise CommandError(
                "SHOPKB_HTTPS or SHOPKB_BEHIND_PROXY is on, for a server behind a proxy that speaks TLS. This command "
                "speaks it by itself, and would take the word of anybody on the network for it. Leave both out.",
                returncode=REFUSED,
            )
        folder = Path(settings.DATA_DIR)
        try:
            held = only_one.hold(folder)
        except only_one.ServedAlready as error:
            address = only_one.told_address(folder)
            raise CommandError(
                f"The shop in {folder} is being served already{f' at {address}' if address else ''}. Open it in a "
                "browser, or end that service first.",
                returncode=REFUSED,
            ) from error
        except OSError as error:
            raise CommandError(
                f"The folder {folder} cannot be written by this account: {error.strerror}. Name another in "
                "SHOPKB_DATA_DIR, or start this as the account that owns it.",
                returncode=REFUSED,
            ) from error
        with held:
            only_one.tell_address(folder, "")
            if not options["no_serve"]:
                must_be_free(options["port"], HOST if options["local"] else EVERYWHERE)
                if not options["local"]:
                    must_be_free(options["tls_port"], EVERYWHERE, "--tls-port")
            self._make(folder)
            if not options["no_serve"]:
                self._serve(options["port"], 0 if options["local"] else options["tls_port"])

    def _make(self, folder: Path) -> None:
        if aside := upgrading.put_back_what_was_broken_off(timezone.now()):
            self._say(
                "An upgrade was broken off the last time. Everything is as it was before it; what the upgrade left, "
                f"and whatever was recorded since, is kept in {aside}."
            )
        try:
            state = place.look()
            if state is not place.State.READY:
                place.enough_room(folder)
        except place.Unusable as error:
            raise CommandError(f"{error} Nothing was changed.", returncode=REFUSED) from error
        if state is place.State.EMPTY:
            self._say("Making the database ...")
            try:
                call_command("migrate", verbosity=0, interactive=False)
            except (DatabaseError, OSError) as error:
                raise CommandError(
                    f"The database could not be made: {error}. Mend that and start this again; it goes on from there.",
                    returncode=FAILED,
                ) from error
        elif state is place.State.OLDER:
            self._say("This shop was made by an older version. Bringing it to this one ...")
            try:
                upgrading.upgrade(timezone.now(), self._say)
            except upgrading.UpgradeFailed as error:
                raise CommandError(str(error), returncode=FAILED) from error
            self._say("Done, and every law of what is stored holds.")
        for closed in close_to_others():
            self._say(f"{closed} was open to every account of this computer; it is closed to others now.")

    def _serve(self, port: int, tls_port: int) -> None:
        from shopkb.hosting.serving import Listening, run
        from shopkb.procedures.drawing import draw_first_chart
        from shopkb.reports.cache_warming import warm_in_background
        from shopkb.wsgi import application

        if tls_port:
            tls = certificates.place_in(Path(settings.DATA_DIR))
            keep_certified(tls)
            settings.PLAIN_PORT, settings.TLS_PORT = port, tls_port
            listening = Listening([f"{EVERYWHERE}:{port}"], [f"{EVERYWHERE}:{tls_port}"], tls.server, tls.server_key)
        else:
            settings.PLAIN_PORT = port
            listening = Listening([f"{HOST}:{port}"], [], None, None)
        self._tell(port, tls_port)
        connection.close()
        draw_first_chart()
        warm_in_background()
        scheduled.in_background()
        announcing = network.Announcing(tls_port) if tls_port else None
        if announcing is not None:
            Thread(target=_renew, args=(tls, listening, announcing), name="certificate", daemon=True).start()
        only_one.tell_address(Path(settings.DATA_DIR), f"http://{HOST}:{port}/")
        try:
            with suppress(KeyboardInterrupt):  # as Windows stops it
                run(application, listening)
        finally:
            only_one.tell_address(Path(settings.DATA_DIR), "")
            if announcing is not None:
                announcing.close()
        self._say("Stopped. Nothing is lost.")

    def _tell(self, port: int, tls_port: int) -> None:
        here = f"http://{HOST}:{port}/"
        if not first_run.is_new():
            self._say(f"Serving the shop at {here} until Ctrl+C.")
            if not first_run.has_keeper():
                self._say("No keeper can sign in. Make one in another window: manage.py first_account NAME")
        else:
            self._say("The shop is made. Open it in a browser on this computer, at this address, which is good once:")
            self._say(f"\n  {here}shop/open/{first_run.new_token()}/\n")
            self._say("Ctrl+C ends it; started again, it prints a new address.")
        if tls_port and (held := certificates.certified(network.addresses())):
            self._say(f"Tablets: open {here}shop/tablets/ here, or https://{held[0]}:{tls_port}/ there.")

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()


def keep_certified(tls: certificates.CertificateFiles) -> bool:
    """Certificate and hosts for the names and addresses that this computer has now; whether the certificate is new."""
    held = [*network.names(), *network.addresses()]
    settings.ALLOWED_HOSTS = list(dict.fromkeys([*settings.ALLOWED_HOSTS, *held]))
    return certificates.bring_up_to_date(tls, held, timezone.now())


def _renew(tls: certificates.CertificateFiles, listening: Any, announcing: network.Announcing) -> None:
    """For ever: another address by the router, or the end of the certificate, is seen within minutes."""
    while True:
        try:
            announcing.bring_up_to_date(network.addresses())
            if keep_certified(tls):
                listening.renew()
        except Exception:
            log.exception("The certificate could not be renewed, or this computer's name not be announced.")
        sleep(LOOKED_EVERY)


def must_be_free(port: int, host: str = HOST, option: str = "--port") -> None:
    """Raises:
    CommandError: another program listens there, or this account may not.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name == "posix":
            # As the server does: a port that a server left a moment ago counts as free.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except (OSError, OverflowError) as error:
            raise CommandError(
                f"Port {port} cannot be used: another program has it, or this account may not. Name another, such as "
                f"{option} {port + 8000 if port < 1024 else port + 1}. Nothing was changed.",
                returncode=REFUSED,
            ) from error
