"""The one door for the log of who did what: sign-ins, refusals, publications, rights, secrets, restores, safety words.

What people record at vehicles stands in the event log of each job (:mod:`shopkb.jobs.log`), and who read a job in
:mod:`shopkb.jobs.readings`. Lines never hold what was typed as a secret. The database refuses to change or delete them.
"""

from __future__ import annotations

from collections.abc import Callable
from contextvars import ContextVar
from typing import Any

from axes.signals import user_locked_out
from django.contrib.auth.signals import user_logged_in, user_logged_out, user_login_failed
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.db.models.signals import post_delete, post_save, pre_save
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from shopkb.accounts.models import AuditRecord, User

Action = AuditRecord.Action
View = Callable[[HttpRequest], HttpResponse]

MOST_A_MINUTE = 30
"""Refusals noted for one address in a minute; more say nothing new and would fill the disk."""

_request: ContextVar[HttpRequest | None] = ContextVar("request", default=None)
"""The request under way, for what is noted where none is at hand."""


def note(action: Action, what: str = "", *, by: User | None = None, name: str = "") -> None:
    """Add a line. Without a person it is whoever the request under way belongs to; without a request, the server."""
    request = _request.get()
    person = by or (getattr(request, "user", None) if request is not None else None)
    who = name or (person.get_username() if person is not None and person.is_authenticated else "")
    address = str(request.META.get("REMOTE_ADDR", "")) if request is not None else ""
    AuditRecord.objects.create(at=timezone.now(), action=action, who=who[:150], what=what[:300], address=address[:45])


def note_refusal(action: Action, what: str, *, name: str = "") -> None:
    """The same for what anybody can bring about as often as they like: bounded."""
    request = _request.get()
    address = request.META.get("REMOTE_ADDR", "") if request is not None else ""
    key = f"audit-refusals-{address}-{timezone.now():%Y%m%d%H%M}"
    cache.add(key, 0, 120)
    if cache.incr(key) <= MOST_A_MINUTE:
        note(action, what, name=name)


class AuditTrail:
    """The middleware that knows whose request is under way, and notes what was refused."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        token = _request.set(request)
        try:
            return self.get_response(request)
        finally:
            _request.reset(token)

    def process_exception(self, request: HttpRequest, error: Exception) -> None:
        if isinstance(error, PermissionDenied):
            note_refusal(Action.REFUSED, f"{request.method} {request.path}: {error}")


def _signed_in(sender: object, request: HttpRequest, user: User, **_: object) -> None:
    from shopkb.accounts.pins import BACKEND

    way = "with a PIN" if request.session.get("_auth_user_backend") == BACKEND else "with a password"
    note(Action.SIGNED_IN, way, by=user)


def _signed_out(sender: object, user: User | None, **_: object) -> None:
    if user is not None:
        note(Action.SIGNED_OUT, by=user)


def _refused(sender: object, credentials: dict[str, Any], **_: object) -> None:
    note_refusal(Action.SIGN_IN_REFUSED, "", name=str(credentials.get("username", "")))


def _locked_out(sender: object, username: str | None = None, **_: object) -> None:
    note_refusal(Action.LOCKED_OUT, "", name=str(username or ""))


RIGHTS = {"role": "role", "is_active": "may sign in", "is_superuser": "every right"}
SECRETS = {"password": "password", "pin": "PIN"}


def _before(sender: object, instance: User, update_fields: Any = None, **_: object) -> None:
    """Remember what is stored, to see what a save changes; signing in stores the time alone."""
    if update_fields is not None and set(update_fields) <= {"last_login"}:
        instance._stored = None  # type: ignore[attr-defined]
    else:
        instance._stored = User.objects.filter(pk=instance.pk).first() if instance.pk else None  # type: ignore[attr-defined]


def _saved(sender: object, instance: User, created: bool, update_fields: Any = None, **_: object) -> None:
    name, before = instance.get_username(), getattr(instance, "_stored", None)
    if created:
        note(Action.PERSON, f"{name} made, {instance.role}")
        return
    if before is None:
        return
    changed = {field for field in (*RIGHTS, *SECRETS, "username") if getattr(before, field) != getattr(instance, field)}
    if before.username != name:
        note(Action.PERSON, f"{before.username} is {name} now")
    for field in sorted(changed & RIGHTS.keys()):
        note(Action.RIGHTS, f"{name}: {RIGHTS[field]} {getattr(before, field)} to {getattr(instance, field)}")
    for field in sorted(changed & SECRETS.keys()):
        note(Action.SECRETS, f"{name}: {SECRETS[field]}")


def _deleted(sender: object, instance: User, **_: object) -> None:
    note(Action.PERSON, f"{instance.get_username()} removed")


def connect() -> None:
    """Hear of sign-ins and of every change of a person, whichever page or command makes it."""
    user_logged_in.connect(_signed_in, dispatch_uid="audit signed in")
    user_logged_out.connect(_signed_out, dispatch_uid="audit signed out")
    user_login_failed.connect(_refused, dispatch_uid="audit refused")
    user_locked_out.connect(_locked_out, dispatch_uid="audit locked out")
    pre_save.connect(_before, sender=User, dispatch_uid="audit before a person is saved")
    post_save.connect(_saved, sender=User, dispatch_uid="audit a person saved")
    post_delete.connect(_deleted, sender=User, dispatch_uid="audit a person removed")
