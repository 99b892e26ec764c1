"""Typed readers for the process environment, used by the settings alone. A wrong value is refused by name.

What a shop chose on its own pages is kept in a file and read where the environment says nothing.
"""

from __future__ import annotations

import json
import os
import secrets
from contextlib import suppress
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

TRUE = frozenset({"1", "true", "yes", "on"})
FALSE = frozenset({"0", "false", "no", "off", ""})


_chosen: dict[str, str] = {}


def read_choices(path: Path) -> None:
    """Take what the shop chose from this file, if there is one.

    Raises:
        ImproperlyConfigured: the file cannot be read or holds no names with texts.
    """
    _chosen.clear()
    if not path.exists():
        return
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ImproperlyConfigured(f"{path} cannot be read: {error}. Mend it, or remove it and choose anew.") from error
    if not isinstance(held, dict) or not all(isinstance(value, str) for value in held.values()):
        raise ImproperlyConfigured(f"{path} should hold names of settings with their texts. Mend it, or remove it.")
    _chosen.update(held)


def folder(path: Path) -> Path:
    """Make the folder if need be, for this account alone.

    Raises:
        ImproperlyConfigured: it cannot be made.
    """
    try:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise ImproperlyConfigured(
            f"The folder {path} cannot be made: {error.strerror}. Name another in SHOPKB_DATA_DIR."
        ) from error
    return path


def _raw(name: str) -> str | None:
    return os.environ.get(name, _chosen.get(name))


def text(name: str, default: str) -> str:
    found = _raw(name)
    return default if found is None else found


def switch(name: str, *, default: bool) -> bool:
    """A yes/no setting.

    Raises:
        ImproperlyConfigured: the value is none of yes, no, true, false, on, off, 1, 0.
    """
    raw = _raw(name)
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
    return [part.strip() for part in text(name, default).split(",") if part.strip()]


def choice(name: str, default: str, offered: tuple[str, ...]) -> str:
    """One of the words offered.

    Raises:
        ImproperlyConfigured: it is another word.
    """
    word = text(name, default).strip().lower()
    if word not in offered:
        raise ImproperlyConfigured(f"{name} is {word!r}; write one of: {', '.join(offered)}.")
    return word


def number(name: str, default: int, most: int | None = None) -> int:
    """A whole number; with ``most`` one from 0 to that.

    Raises:
        ImproperlyConfigured: the value is not a whole number, or lies outside.
    """
    raw = _raw(name)
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
    try:
        if not path.exists():
            _make_key(path)
        return path.read_text(encoding="ascii").strip()
    except OSError as error:
        raise ImproperlyConfigured(
            f"The secret key {path} cannot be made or read: {error.strerror}. The account that runs this needs a "
            "folder of its own, on a disk with room."
        ) from error


def _make_key(path: Path) -> None:
    """Whole or not at all; of two that start at once the first one's stays."""
    part = path.with_name(f"{path.name}.{os.getpid()}")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(50))
        with suppress(FileExistsError):
            os.link(part, path)
    finally:
        part.unlink(missing_ok=True)
