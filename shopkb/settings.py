"""Settings, fed from the environment. Every name it reads stands in README.md."""

from __future__ import annotations

import sqlite3
from datetime import timedelta
from pathlib import Path
from typing import Any

import dj_database_url

from shopkb import environment
from shopkb.web.security import CONTENT_SECURITY_POLICY  # noqa: F401  (read by django-csp)

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(environment.text("SHOPKB_DATA_DIR", str(BASE_DIR / ".shopkb"))).absolute()
environment.folder(DATA_DIR)  # it holds the customers' vehicles

WORLD = environment.text("SHOPKB_WORLD", "shop")
CHOICES_FILE = DATA_DIR / "choices.json"
if WORLD != "demo":
    environment.read_choices(CHOICES_FILE)
DEMO_SHOP = "Withy Saltings Community Buses"
SECRET_KEY = environment.secret_key(DATA_DIR)
DEBUG = environment.switch("SHOPKB_DEBUG", default=False)
ALLOWED_HOSTS = environment.words("SHOPKB_HOSTS", "127.0.0.1,localhost,[::1]")
CSRF_TRUSTED_ORIGINS = environment.words("SHOPKB_ORIGINS", "")

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "axes",
    "csp",
    "django_htmx",
    "mptt",
    "shopkb.web",
    "shopkb.accounts",
    "shopkb.catalog",
    "shopkb.evidence",
    "shopkb.procedures",
    "shopkb.jobs",
    "shopkb.bench",
    "shopkb.reports",
    "shopkb.upkeep",
    "shopkb.demo",
    "shopkb.hosting",
]

MIDDLEWARE = [
    "shopkb.upkeep.logs.log_requests",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "shopkb.hosting.plain.OverTlsOnly",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "shopkb.web.middleware.no_older_token",
    "django.middleware.csrf.CsrfViewMiddleware",
    "shopkb.web.middleware.OnlyWhatCanBeStored",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "shopkb.accounts.slots.TooBusyPage",
    "shopkb.accounts.audit.AuditTrail",
    "shopkb.hosting.gate.OpenedFirst",
    "shopkb.accounts.idle_lock.IdleLock",
    "shopkb.accounts.second_factor_gate.SecondFactorGate",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "shopkb.web.middleware.never_cached",
    "shopkb.jobs.readings.note_readings",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "shopkb.urls"
WSGI_APPLICATION = "shopkb.wsgi.application"

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "builtins": [
                "shopkb.catalog.templatetags.catalog_words",
                "shopkb.web.templatetags.shopkb_web",
                "shopkb.procedures.templatetags.procedure_words",
            ],
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "shopkb.accounts.context_processors.rights",
                "shopkb.web.context_processors.shop_name",
                "shopkb.demo.context_processors.invented",
                "shopkb.upkeep.context_processors.backups",
            ],
        },
    }
]

# Rollback journal with EXTRA sync and IMMEDIATE transactions: safe on every SQLite build, also on those whose
# write-ahead log can lose a commit (fixed in 3.44.6, 3.50.7 and 3.51.3), and fast enough for a shop. FULL is not
# enough: a transaction ends with the removal of its journal, and a power cut soon after may bring the journal back,
# which undoes what was acknowledged.
SQLITE_OPTIONS = {
    "transaction_mode": "IMMEDIATE",
    "timeout": 20,
    "init_command": "PRAGMA journal_mode=DELETE; PRAGMA synchronous=EXTRA; PRAGMA foreign_keys=ON;",
}
SQLITE_BUILD = sqlite3.sqlite_version_info

DATABASES: dict[str, Any] = {
    "default": dj_database_url.config(
        env="DATABASE_URL",
        default=f"sqlite:///{DATA_DIR / f'{WORLD}.sqlite3'}",
        conn_max_age=60,
        conn_health_checks=True,
    )
}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    DATABASES["default"]["ENGINE"] = "shopkb.web.fair_sqlite3"
    DATABASES["default"]["OPTIONS"] = SQLITE_OPTIONS
    # A file, not memory: the tests run threads against it.
    DATABASES["default"]["TEST"] = {"NAME": str(DATA_DIR / "test.sqlite3")}
else:
    # Its translation of a query into machine code takes seconds for one that nests many questions and runs for
    # milliseconds.
    _options = DATABASES["default"].setdefault("OPTIONS", {})
    _options["options"] = f"-c jit=off {_options.get('options', '')}".strip()
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "accounts.User"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
PASSWORD_HASHERS = ["shopkb.accounts.hashing.BoundedPasswordHasher"]
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
    "shopkb.accounts.pins.PinBackend",
    "shopkb.accounts.second_factor.CodeBackend",
]
# By name and address together: one tablet's mistakes lock nobody else out, and nobody can lock another out from afar.
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_FAILURE_LIMIT = 5
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_RESET_ON_SUCCESS = True
AXES_DISABLE_ACCESS_LOG = True
AXES_ENABLE_ADMIN = False
AXES_SENSITIVE_PARAMETERS = ["username", "ip_address", "pin", "kept", "code"]  # never stored with a failed attempt
AXES_LOCKOUT_TEMPLATE = "accounts/locked.html"
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "login"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = environment.text("SHOPKB_TIME_ZONE", "Europe/London")
USE_I18N = True
USE_TZ = True

BACKUP_DIR = Path(environment.text("SHOPKB_BACKUP_DIR", str(DATA_DIR / "backups")))
SECOND_BACKUP = environment.text("SHOPKB_SECOND_BACKUP_DIR", "")
MEDIA_URL = "/jobs/photos/"
MEDIA_ROOT = DATA_DIR / "photos"

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATIC_ROOT.mkdir(exist_ok=True)
WHITENOISE_USE_FINDERS = True

HTTPS = environment.switch("SHOPKB_HTTPS", default=False)
TLS_PORT = PLAIN_PORT = 0  # set by the command that speaks TLS by itself
SECURE_SSL_REDIRECT = HTTPS
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
SECURE_HSTS_SECONDS = 31_536_000 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = HTTPS
SECURE_HSTS_PRELOAD = HTTPS
if environment.switch("SHOPKB_BEHIND_PROXY", default=False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_AGE = 60 * 60 * 12
SESSION_COOKIE_SAMESITE = "Lax"
DATA_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024

# The shop's own choices.
IDLE_LOCK_MINUTES = environment.number("SHOPKB_IDLE_LOCK_MINUTES", 15)
SECOND_FACTOR = environment.choice("SHOPKB_SECOND_FACTOR", "offered", ("off", "offered", "required"))
REVIEW_BY_SECOND_PERSON = environment.switch("SHOPKB_SECOND_PERSON", default=True)
ADMIN_PAGES = environment.switch("SHOPKB_ADMIN", default=False)
CURRENCY = environment.text("SHOPKB_CURRENCY", "£")
SHOP_NAME = environment.text("SHOPKB_SHOP_NAME", DEMO_SHOP if WORLD == "demo" else "")
DISTANCE_UNIT = environment.choice("SHOPKB_DISTANCE_UNIT", "miles", ("miles", "km"))
COMEBACK_DAYS = environment.number("SHOPKB_COMEBACK_DAYS", 90)
HOURLY_RATE = environment.number("SHOPKB_HOURLY_RATE", 60)
PROVE_BEFORE_FIT = environment.switch("SHOPKB_PROVE_BEFORE_FIT", default=True)
CHANCE_PERCENT = environment.number("SHOPKB_CHANCE_PERCENT", 3, most=10)
REMEMBER_FIGURES = environment.switch("SHOPKB_REMEMBER_FIGURES", default=True)
DRAWING_SECONDS = environment.number("SHOPKB_DRAWING_SECONDS", 5)

LOG_FORMAT = environment.choice("SHOPKB_LOG_FORMAT", "words", ("words", "json"))
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "words": {"()": "shopkb.upkeep.logs.WordLines", "fmt": "%(asctime)s %(levelname)s %(name)s: %(message)s"},
        "json": {"()": "shopkb.upkeep.logs.JsonLines"},
    },
    "filters": {"refusals": {"()": "shopkb.upkeep.logs.WithoutRefusals"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": LOG_FORMAT, "filters": ["refusals"]}},
    "root": {"handlers": ["console"], "level": environment.text("SHOPKB_LOG_LEVEL", "WARNING")},
}
