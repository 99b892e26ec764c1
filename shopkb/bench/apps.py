from django.apps import AppConfig


class BenchConfig(AppConfig):
    name = "shopkb.bench"
