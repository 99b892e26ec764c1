"""Typed readers for the process environment, used by the settings alone. A wrong value is refused by name."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

TRUE = frozenset({"1", "true", "yes", "on"})
FALSE = frozenset({"0", "false", "no", "off", ""})


def text(name: str, default: str) -> str:
    return os.environ.get(name, default)


def switch(name: str, *, default: bool) -> bool:
    """A yes/no setting.

    Raises:
        ImproperlyConfigured: the value is none of yes, no, true, false, on, off, 1, 0.
    """
    raw = os.environ.get(name)
    if raw is None:
        return default
    word = raw.strip().lower()
    if word in TRUE:
        return True
    if word in FALSE:
        return False
    raise ImproperlyConfigured(f"{name} is {raw!r}; write yes or no.")


def words(name: str, default: str) -> list[str]:
    """A list separated by commas, blanks dropped."""
    return [part.strip() for part in os.environ.get(name, default).split(",") if part.strip()]


def choice(name: str, default: str, offered: tuple[str, ...]) -> str:
    """One of the words offered.

    Raises:
        ImproperlyConfigured: it is another word.
    """
    word = os.environ.get(name, default).strip().lower()
    if word not in offered:
        raise ImproperlyConfigured(f"{name} is {word!r}; write one of: {', '.join(offered)}.")
    return word


def number(name: str, default: int, most: int | None = None) -> int:
    """A whole number; with ``most`` one from 0 to that.

    Raises:
        ImproperlyConfigured: the value is not a whole number, or lies outside.
    """
    raw = os.environ.get(name)
    if raw is None:
        return default
    try:
        found = int(raw)
    except ValueError:
        raise ImproperlyConfigured(f"{name} is {raw!r}; write a whole number such as {default}.") from None
    if most is not None and not 0 <= found <= most:
        raise ImproperlyConfigured(f"{name} is {raw!r}; write a whole number from 0 to {most}.")
    return found


def secret_key(folder: Path) -> str:
    """``SHOPKB_SECRET_KEY``, else a random key made once and kept in ``folder``, readable by its owner only."""
    given = os.environ.get("SHOPKB_SECRET_KEY")
    if given:
        return given
    path = folder / "secret-key"
    if not path.exists():
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(50))
    return path.read_text(encoding="ascii").strip()
