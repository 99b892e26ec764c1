from __future__ import annotations

from typing import Any, ClassVar, Self

from django.contrib.auth.models import AbstractUser, UserManager
from django.db import models

from shopkb.accounts.roles import RIGHTS, Right, Role, may


class PersonQuerySet(models.QuerySet["User"]):
    def visible_to(self, viewer: User) -> Self:
        """People whose own page of figures this person may read. Jobs and procedures are everybody's who works here."""
        if may(viewer, Right.REPORT):
            return self
        return self.filter(pk=viewer.pk) if may(viewer, Right.READ) else self.none()


class User(AbstractUser):
    """A person in the shop."""

    role = models.CharField(max_length=20, choices=[(role.value, role.value) for role in Role], default=Role.TECHNICIAN)
    called = models.CharField("name as the shop says it", max_length=80, blank=True)

    pin = models.CharField("PIN", max_length=128, blank=True, editable=False, help_text="A hash; empty: none.")

    by_pin = False
    """Whether this person came in by PIN, in this session."""

    objects: ClassVar[UserManager[Self]] = UserManager()
    people = PersonQuerySet.as_manager()

    class Meta(AbstractUser.Meta):
        constraints = [
            models.CheckConstraint(name="user_role_known", condition=models.Q(role__in=[role.value for role in Role]))
        ]

    def __str__(self) -> str:
        return self.called or self.get_full_name() or self.username

    def save(self, *args: Any, **kwargs: Any) -> None:
        """The admin's door is open to those who may change the catalog or manage people."""
        self.is_staff = self.is_superuser or bool(
            {Right.CATALOG, Right.PEOPLE} & RIGHTS.get(Role(self.role), frozenset())
        )
        super().save(*args, **kwargs)

    def may(self, right: Right) -> bool:
        return may(self, right)

    def has_module_perms(self, app_label: str) -> bool:
        """Django's admin is open to those who may change the catalog or manage people."""
        return self.is_active and self._admin_right(app_label)

    def has_perm(self, perm: str, obj: object | None = None) -> bool:
        return self.is_active and self._admin_right(perm.partition(".")[0])

    def _admin_right(self, app_label: str) -> bool:
        right = {"catalog": Right.CATALOG, "accounts": Right.PEOPLE}.get(app_label)
        return self.is_superuser or (right is not None and may(self, right))


class SecondFactor(models.Model):
    """The secret that a person's phone makes codes from (TOTP, RFC 6238)."""

    person = models.OneToOneField(User, on_delete=models.CASCADE, related_name="second_factor")
    secret = models.CharField(max_length=64)
    last_step = models.BigIntegerField(help_text="Number of the 30 s whose code was taken last: none is good twice.")
    since = models.DateTimeField()

    def __str__(self) -> str:
        return f"second factor of {self.person}"


class RecoveryCode(models.Model):
    """A code that stands in for a lost phone, once. Only its digest is kept."""

    person = models.ForeignKey(User, on_delete=models.CASCADE, related_name="recovery_codes")
    digest = models.CharField(max_length=64)
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person", "digest"], name="recovery_code_once")]

    def __str__(self) -> str:
        return f"recovery code of {self.person}"


class AuditRecord(models.Model):
    """One line of the log of who did what. It never changes; people are named as they were called then."""

    class Action(models.TextChoices):
        SIGNED_IN = "signed-in", "signed in"
        SIGNED_OUT = "signed-out", "signed out"
        SIGN_IN_REFUSED = "sign-in-refused", "sign-in refused"
        LOCKED_OUT = "locked-out", "locked after too many tries"
        REFUSED = "refused", "page or act refused"
        PUBLISHED = "published", "published"
        WITHDRAWN = "withdrawn", "withdrawn"
        SENT_BACK = "sent-back", "sent back from review"
        WORDS_CHANGED = "words-changed", "safety words changed"
        WORDS_PROPOSED = "words-proposed", "safety words proposed"
        WORDS_CONFIRMED = "words-confirmed", "safety words confirmed"
        WORDS_REFUSED = "words-refused", "safety words refused or taken back"
        PERSON = "person", "person made, changed or removed"
        RIGHTS = "rights", "rights changed"
        SECRETS = "secrets", "password, PIN or second factor changed"
        RESTORED = "restored", "restored from a backup"
        BACKUP_KEY = "backup-key", "encryption of backups changed"
        EXPORTED = "exported", "taken away as a file"
        VEHICLES = "vehicles", "vehicles read in from a file"

    at = models.DateTimeField()
    action = models.CharField(max_length=20, choices=Action)
    who = models.CharField(max_length=150, blank=True, help_text="Name to sign in with; empty: at the server itself.")
    what = models.CharField(max_length=300, blank=True)
    address = models.CharField(max_length=45, blank=True)

    class Meta:
        ordering = ["-pk"]
        indexes = [models.Index(fields=["action", "-at"]), models.Index(fields=["who", "-at"])]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.who} {self.get_action_display()}"
