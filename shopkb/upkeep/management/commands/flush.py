from __future__ import annotations

from typing import Any

from django.core.management.commands import flush

from shopkb.jobs.log.append_only import opened


class Command(flush.Command):
    help = f"{flush.Command.help} Records of jobs, which are otherwise never deleted, go too."

    def handle(self, **options: Any) -> None:
        with opened(options["database"]):
            super().handle(**options)
