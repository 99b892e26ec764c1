"""Django's hash of passwords and PINs, by few threads at once: it is slow on purpose, and anybody can ask for it."""

from __future__ import annotations

from django.contrib.auth.hashers import PBKDF2PasswordHasher

from shopkb.accounts.slots import Slots

signing_in = Slots(
    "Many people are signing in at this moment. Try again in a few seconds.", at_once=2, waiting=2, seconds=5
)


class BoundedPasswordHasher(PBKDF2PasswordHasher):
    """The same hashes as the class above it, so that stored ones go on being good."""

    def encode(self, password: str, salt: str, iterations: int | None = None) -> str:
        """Raises:
        TooBusy: enough threads are at it.
        """
        with signing_in.taken():
            return super().encode(password, salt, iterations)
