from __future__ import annotations

import sys
from typing import Any

from django.apps import AppConfig, apps
from django.db import DEFAULT_DB_ALIAS, connections
from django.db.models.signals import post_migrate


class UpkeepConfig(AppConfig):
    name = "shopkb.upkeep"

    def ready(self) -> None:
        from shopkb.upkeep import checks, modes  # noqa: F401  (registers them)

        # The signal is sent for apps that have models; this one has none.
        post_migrate.connect(_keep_records, sender=apps.get_app_config("jobs"))
        post_migrate.connect(_count_again, sender=apps.get_app_config("jobs"))


def _keep_records(using: str, **_sent: Any) -> None:
    """A migration that makes a table anew loses its triggers on SQLite."""
    from shopkb.jobs.log import append_only

    append_only.install(connections[using])


def _count_again(using: str, verbosity: int, **_sent: Any) -> None:
    """A migration may leave the tallies to be counted again from the jobs; elsewhere than in the shop's own database
    the mark stays, and the tallies are counted when that one is in use and brought to this version."""
    from shopkb.evidence import learning
    from shopkb.jobs.closed_jobs import closed_cases

    if using != DEFAULT_DB_ALIAS or not learning.to_be_recounted():
        return
    if verbosity:
        sys.stdout.write("Counting closed jobs again; about a minute for every 50,000 ...\n")
    learning.rebuild(closed_cases())
