"""A second factor for those who write, manage and keep: a code that a phone makes from the time (TOTP, RFC 6238).

Whether it is there at all, offered or required is the shop's choice (``SHOPKB_SECOND_FACTOR``). Whoever has one gives a
code after the password before any page opens; at a shared tablet a PIN opens the work at the vehicle without it, and
nothing else. Recovery codes, each good once, stand in for a lost phone; a keeper can take a factor away.

Wrong codes are counted with wrong passwords, by name and address, and slowed the same way.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import datetime

import pyotp
from axes.utils import reset
from django.conf import settings
from django.contrib.auth import authenticate
from django.contrib.auth.backends import BaseBackend
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone

from shopkb.accounts.audit import Action, note
from shopkb.accounts.models import RecoveryCode, SecondFactor, User
from shopkb.accounts.roles import BY_PIN, Right

STATE = "second_factor"
"""Key in the session: ``DUE``, ``TO_BE_SET`` or missing, once a code was given or none is needed."""
DUE, TO_BE_SET = "due", "to-be-set"
STEP = 30
"""Seconds that a code holds."""
WINDOW = 1
"""Codes before and after the present one that are taken too: clocks of phones differ."""
CODES = 10
COUNTED = " (second factor)"
"""Stands behind the name under which wrong codes are counted: a right password takes back wrong passwords alone."""
SALT = "shopkb.accounts.recovery"
ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without letters and digits that are taken for each other."""


class CodeBackend(BaseBackend):
    """Judges the code of somebody who has given the password, so that wrong ones are counted. It signs nobody in."""

    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, code: str | None = None, **_other: object
    ) -> User | None:
        if username is None or code is None or request is None:
            return None
        person = User.objects.filter(username=username.removesuffix(COUNTED), is_active=True).first()
        return person if person is not None and accept(person, code, at=timezone.now()) else None

    def get_user(self, user_id: int) -> User | None:
        """No session begins with a code."""
        return None


def is_own_code(request: HttpRequest, code: str) -> bool:
    """Whether it is a code of whoever is signed in. A wrong one is counted, and at the fifth the lock of :mod:`axes`
    answers."""
    name = f"{request.user.get_username()}{COUNTED}"
    found = authenticate(request, username=name, code=code)
    if found is None or found.pk != request.user.pk:
        return False
    reset(username=name)
    return True


def is_for(person: User) -> bool:
    """Whether the shop lets this person have one: they may do more than work at the vehicle."""
    return settings.SECOND_FACTOR != "off" and any(person.may(right) for right in set(Right) - BY_PIN)


def state_after_password(person: User) -> str:
    """What a session that began with the password still lacks. One query at most."""
    if not is_for(person):
        return ""
    if SecondFactor.objects.filter(person=person).exists():
        return DUE
    return TO_BE_SET if settings.SECOND_FACTOR == "required" else ""


def new_secret() -> str:
    return pyotp.random_base32()


def address_of(secret: str, person: User) -> str:
    """What the QR code says: ``otpauth://totp/...``."""
    maker = pyotp.TOTP(secret, interval=STEP)
    return maker.provisioning_uri(name=person.username, issuer_name=settings.SHOP_NAME or "Workshop")


@transaction.atomic
def set_up(person: User, secret: str, code: str, *, at: datetime) -> list[str] | None:
    """Keep the secret if the code proves that the phone has it; the recovery codes, which are shown once.

    None: the code is not the one of now.
    """
    step = _step_of(secret, code, at)
    if step is None:
        return None
    SecondFactor.objects.filter(person=person).delete()
    SecondFactor.objects.create(person=person, secret=secret, last_step=step, since=at)
    note(Action.SECRETS, f"{person.username}: second factor set", by=person)
    return new_recovery_codes(person)


@transaction.atomic
def new_recovery_codes(person: User) -> list[str]:
    """Codes in place of all that were there before."""
    codes = ["-".join("".join(secrets.choice(ALPHABET) for _ in range(4)) for _ in range(3)) for _ in range(CODES)]
    RecoveryCode.objects.filter(person=person).delete()
    RecoveryCode.objects.bulk_create(RecoveryCode(person=person, digest=_digest(code)) for code in codes)
    return codes


@transaction.atomic
def accept(person: User, code: str, *, at: datetime) -> bool:
    """Whether this is the code of now, or a recovery code that was not used; either is good once."""
    factor = SecondFactor.objects.select_for_update().filter(person=person).first()
    if factor is None:
        return False
    step = _step_of(factor.secret, code, at)
    if step is not None:
        if step <= factor.last_step:
            return False
        factor.last_step = step
        factor.save(update_fields=["last_step"])
        return True
    used = RecoveryCode.objects.filter(person=person, digest=_digest(code), used_at=None).update(used_at=at)
    if used:
        note(Action.SECRETS, f"{person.username}: a recovery code used", by=person)
    return bool(used)


@transaction.atomic
def take_away(person: User) -> bool:
    """Remove the factor and its recovery codes; whether there was one."""
    RecoveryCode.objects.filter(person=person).delete()
    gone = bool(SecondFactor.objects.filter(person=person).delete()[0])
    if gone:
        note(Action.SECRETS, f"{person.username}: second factor taken away")
    return gone


def codes_left(person: User) -> int:
    return RecoveryCode.objects.filter(person=person, used_at=None).count()


def _step_of(secret: str, code: str, at: datetime) -> int | None:
    """Number of the 30 seconds this code belongs to, if that is now or next to it."""
    typed = "".join(code.split())
    if not (typed.isascii() and typed.isdecimal()):
        return None
    now = int(at.timestamp()) // STEP
    maker = pyotp.TOTP(secret, interval=STEP)
    steps = [now + offset for offset in range(-WINDOW, WINDOW + 1)]
    matching = [step for step in steps if hmac.compare_digest(maker.generate_otp(step), typed)]
    return matching[-1] if matching else None


def _digest(code: str) -> str:
    """SHA-256: a code has 59 random bits, and it stays good when the shop is restored with another secret key."""
    plain = "".join(code.lower().replace("-", " ").split())
    return hashlib.sha256(f"{SALT} {plain}".encode()).hexdigest()
