from typing import Any

from django.apps import AppConfig


class ProceduresConfig(AppConfig):
    name = "shopkb.procedures"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from shopkb.catalog.models import System
        from shopkb.catalog.trees import moved
        from shopkb.catalog.wordings import asked_for_uses
        from shopkb.procedures.catalog_paths import follow_platform, refuse_if_named
        from shopkb.procedures.safety_words import titles_using

        def check(sender: type[object], old: str, new: str, **_: Any) -> None:
            if sender is System:
                refuse_if_named(old)
            else:
                follow_platform(old, new)

        moved.connect(check, weak=False, dispatch_uid="procedures keep their systems, drafts follow platforms")

        def using(sender: type[object], kind: str, key: str, **_: Any) -> list[str]:
            return titles_using(kind, key)

        asked_for_uses.connect(using, weak=False, dispatch_uid="procedures say what of the catalog they use")
