"""Log lines as JSON: one object a line, and nothing in it that was typed or is secret."""

from __future__ import annotations

import io
import json
import logging
import logging.config
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as django_settings
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.reports import home
from shopkb.upkeep.logs import JsonLines, WithoutRefusals, WordLines

ROOT = Path(__file__).resolve().parent.parent.parent


@pytest.fixture
def lines() -> Iterator[Any]:
    """Everything that is logged while the test runs, from the finest level on."""
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    held = {name: logging.getLogger(name).level for name in ("", "django", "axes", "shopkb.requests")}
    root.addHandler(handler)
    for name in held:
        logging.getLogger(name).setLevel(logging.DEBUG if name != "django" else logging.INFO)
    yield lambda: [json.loads(line) for line in out.getvalue().splitlines()]
    root.removeHandler(handler)
    for name, level in held.items():
        logging.getLogger(name).setLevel(level)


def test_a_line_says_what_when_and_how_bad(lines: Any) -> None:
    logging.getLogger("shopkb.test").warning("Two\nlines of %s", "words")
    (told,) = lines()
    assert told.pop("time").endswith("+00:00")
    assert told == {"level": "warning", "name": "shopkb.test", "message": "Two\nlines of words"}


def test_signing_in_leaves_no_password_pin_token_or_session(lines: Any, junior: User) -> None:
    client = Client(enforce_csrf_checks=True)
    client.get(reverse("login"))
    token = client.cookies["csrftoken"].value
    for password in ("not-the-password", "junior-knows-it"):
        sent = {"username": "junior", "password": password, "csrfmiddlewaretoken": token}
        client.post(reverse("login") + "?secretly=asked", sent)
    client.post(reverse("switch"), {"username": "junior", "pin": "864209", "csrfmiddlewaretoken": token})
    said = json.dumps(lines())
    assert '"/sign-in/"' in said
    held = client.cookies["sessionid"].value
    for secret in ("not-the-password", "junior-knows-it", "864209", "secretly", token, held):
        assert secret not in said


def test_a_fault_is_told_with_its_place_and_without_secrets(
    lines: Any, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails() -> None:
        raise RuntimeError(f"could not sign with {django_settings.SECRET_KEY}")

    monkeypatch.setattr(home.Run.objects, "under_way", fails)
    client = Client(raise_request_exception=False)
    client.force_login(junior)
    assert client.get("/?words=typed").status_code == 500
    (told,) = [line for line in lines() if line["level"] == "error"]
    assert told["status"] == 500
    assert told["request"] == {"method": "GET", "path": "/", "who": junior.pk}
    assert "could not sign with ***" in told["fault"]
    assert "typed" not in json.dumps(told)


def test_it_is_switched_on_by_the_environment(tmp_path: Path) -> None:
    code = "import django, logging; django.setup(); logging.getLogger('x').warning('hello')"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={
            "SHOPKB_DATA_DIR": str(tmp_path),
            "SHOPKB_LOG_FORMAT": "json",
            "DJANGO_SETTINGS_MODULE": "shopkb.settings",
        },
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stderr)["message"] == "hello"


FORGED = (
    "a\n2026-01-01 12:00:00 ERROR shopkb: forged",
    "a\r\n2026-01-01 ERROR forged",
    "a\x1b[2Kforged",
    "a\u2028forged",
    "a\x85forged",
    "a\x0bforged",
    "a\u202eforged",
    "a\ud83d",
)


@pytest.mark.parametrize("form", [WordLines("%(levelname)s %(message)s"), JsonLines()], ids=["words", "json"])
@pytest.mark.parametrize("level", [logging.DEBUG, logging.INFO, logging.WARNING, logging.ERROR, logging.CRITICAL])
@pytest.mark.parametrize("sent", FORGED)
def test_nothing_that_is_sent_makes_a_line_of_its_own(form: logging.Formatter, level: int, sent: str) -> None:
    out = io.StringIO()
    log, handler = logging.Logger("any", logging.DEBUG), logging.StreamHandler(out)
    handler.setFormatter(form)
    log.addHandler(handler)
    log.log(level, "GET %s", sent)
    try:
        raise RuntimeError(sent)
    except RuntimeError:
        log.log(level, "Fault at %s", sent, exc_info=True, stack_info=True)
    told = out.getvalue()
    told.encode()
    begun = [line for line in told.splitlines() if not line.startswith("    ")]
    assert len(begun) == 2, begun
    assert told.count("\n") == len(told.splitlines())
    assert not re.search("[\x1b\u202e]", told)


def test_secrets_are_masked_in_words_too() -> None:
    record = logging.LogRecord("any", logging.ERROR, "", 0, "key %s", (django_settings.SECRET_KEY,), None)
    assert WordLines("%(message)s").format(record) == "key ***"


def test_the_words_are_those_of_the_settings(lines: Any, junior: User) -> None:
    """The line for each request, at the level that a shop may choose."""
    made = logging.config.DictConfigurator(django_settings.LOGGING).configure_formatter(
        django_settings.LOGGING["formatters"]["words"]
    )
    assert isinstance(made, WordLines)
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(made)
    logging.getLogger("shopkb.requests").addHandler(handler)
    try:
        Client().get("/health/%0A2026-01-01%2000:00:00%20ERROR%20forged")
    finally:
        logging.getLogger("shopkb.requests").removeHandler(handler)
    assert out.getvalue().count("\n") == 1
    assert "\\u000a2026-01-01" in out.getvalue()


def test_what_somebody_may_not_do_is_a_line_without_a_stack(client: Client, junior: User) -> None:
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(WordLines())
    handler.addFilter(WithoutRefusals())
    assert "refusals" in django_settings.LOGGING["handlers"]["console"]["filters"]
    root = logging.getLogger()
    root.addHandler(handler)
    try:
        client.force_login(junior, backend="django.contrib.auth.backends.ModelBackend")
        assert client.get(reverse("procedures:new")).status_code == 403
    finally:
        root.removeHandler(handler)
    assert "Forbidden" in out.getvalue()
    assert "Traceback" not in out.getvalue()
