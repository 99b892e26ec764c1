from django.apps import AppConfig


class AccountsConfig(AppConfig):
    name = "shopkb.accounts"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from shopkb.accounts.audit import connect

        connect()
