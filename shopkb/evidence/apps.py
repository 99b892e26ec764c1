from typing import Any

from django.apps import AppConfig


class EvidenceConfig(AppConfig):
    name = "shopkb.evidence"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from shopkb.catalog.models import Platform
        from shopkb.catalog.trees import moved
        from shopkb.evidence import learning

        def follow(sender: type[object], old: str, new: str, **_: Any) -> None:
            learning.follow_move(old, new, platforms=sender is Platform)

        moved.connect(follow, weak=False, dispatch_uid="evidence follows moves")
