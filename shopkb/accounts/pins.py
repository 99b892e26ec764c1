"""A PIN lets a person go on at a tablet that a colleague signed in with a password. It opens nothing by itself.

Wrong PINs are counted as wrong passwords are, by name and address together, and slowed the same way.
"""

from __future__ import annotations

from itertools import pairwise

from django.contrib.auth.backends import ModelBackend
from django.contrib.auth.hashers import check_password, make_password
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right

SHORTEST, LONGEST = 6, 12
BACKEND = "shopkb.accounts.pins.PinBackend"


class PinBackend(ModelBackend):
    """Knows a person by name and PIN. Only the page of a shared tablet asks it; passwords are another backend's."""

    def authenticate(  # type: ignore[override]
        self, request: HttpRequest | None, username: str | None = None, pin: str | None = None
    ) -> User | None:
        if username is None or pin is None:
            return None
        person = with_pin(username)
        if person is None:
            make_password(pin)  # as long as a wrong PIN takes
            return None
        return person if check_password(pin, person.pin) and self.user_can_authenticate(person) else None

    def get_user(self, user_id: int) -> User | None:
        """The person of a session that began with a PIN, who may do less."""
        person = super().get_user(user_id)
        if isinstance(person, User):
            person.by_pin = True
            return person
        return None


def may_have_pin(person: User) -> bool:
    """Those who manage people sign in with their password alone: their account opens everything."""
    return person.is_active and not person.may(Right.PEOPLE)


def with_pin(username: str) -> User | None:
    person = User.objects.filter(username=username).exclude(pin="").first()
    return person if person is not None and may_have_pin(person) else None


def people_with_pin() -> list[User]:
    """The people who may unlock a shared tablet with a PIN, ordered by the name the shop calls them."""
    people = User.objects.filter(is_active=True).exclude(pin="")
    return sorted((person for person in people if may_have_pin(person)), key=lambda person: str(person).casefold())


def validate_pin(pin: str) -> None:
    """Refuse what is too short or tried first.

    Raises:
        ValidationError: in words for whoever chose it.
    """
    if not (pin.isascii() and pin.isdecimal() and SHORTEST <= len(pin) <= LONGEST):
        raise ValidationError(f"A PIN is {SHORTEST} to {LONGEST} digits and nothing else.", code="digits")
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    if len(steps) == 1 or len(set(pin)) < 3:
        raise ValidationError("This PIN is one of the first that anybody would try. Choose another.", code="simple")


def set_pin(person: User, pin: str) -> None:
    """Keep the PIN as a hash, as passwords are kept."""
    person.pin = make_password(pin)
    person.save(update_fields=["pin"])
