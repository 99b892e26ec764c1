from django.apps import AppConfig


class UpkeepConfig(AppConfig):
    name = "shopkb.upkeep"

    def ready(self) -> None:
        from shopkb.upkeep import checks  # noqa: F401  (registers them)
