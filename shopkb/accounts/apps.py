from django.apps import AppConfig


class AccountsConfig(AppConfig):
    name = "shopkb.accounts"
    default_auto_field = "django.db.models.BigAutoField"
