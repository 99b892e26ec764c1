"""Forms of opening a shop and of what it chose."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.hosting.choices import Choices, fixed, now_in_force
from shopkb.hosting.opening import FirstKeeper
from shopkb.procedures.shipped import AUTHOR
from shopkb.upkeep.encryption import SHORTEST

ODD_ZONES = ("Etc/", "SystemV/", "US/", "posix/", "right/")
LOCALTIME = Path("/etc/localtime")
BY_ENVIRONMENT = "Decided by the environment of the service, so it cannot be changed here."


def zones() -> list[str]:
    """Names of time zones, by continent."""
    named = sorted(name for name in available_timezones() if "/" in name and not name.startswith(ODD_ZONES))
    return [*named, "UTC"]


def own_zone() -> str:
    """The time zone that this computer is set to, where it says so; else empty."""
    name = str(LOCALTIME.resolve()).partition("zoneinfo/")[2] if LOCALTIME.is_symlink() else ""
    return "UTC" if name == "Etc/UTC" else name if name in zones() else ""


class ChoicesForm(forms.Form):
    """What the shop chose."""

    shop_name = forms.CharField(label="Name of the shop", max_length=80, help_text="Shown on every page.")
    time_zone = forms.ChoiceField(label="Time zone")
    distance_unit = forms.ChoiceField(
        label="Mileage is read in", choices=[("miles", "miles"), ("km", "kilometres")], widget=forms.RadioSelect
    )
    currency = forms.CharField(label="Sign of the currency", max_length=4, help_text="Such as £, € or $.")
    hourly_rate = forms.IntegerField(
        label="Labour rate of an hour",
        min_value=1,
        max_value=100_000,
        help_text="Weighs minutes against parts when a test or a repair is advised.",
    )

    second_backup = forms.CharField(
        label="A second place for backups",
        max_length=400,
        required=False,
        help_text="A folder on another disk or a share that is always connected, such as /mnt/disk/shop or D:\\shop. "
        "Each day's backup is copied there.",
    )

    def clean_second_backup(self) -> str:
        typed: str = self.cleaned_data["second_backup"].strip()
        if not typed or typed == now_in_force().second_backup:
            return typed  # a disk that is out just now keeps nobody from changing something else
        folder = Path(typed)
        if not folder.is_absolute() or not folder.is_dir():
            raise ValidationError("There is no such folder on the computer that serves the shop. Make it first.")
        if not os.access(folder, os.W_OK):
            raise ValidationError("The account that runs the service may not write there.")
        inside = Path(settings.DATA_DIR).resolve(), Path(settings.BACKUP_DIR).resolve()
        if any(folder.resolve().is_relative_to(own) for own in inside):
            raise ValidationError("This folder lies in the shop's own, and would be lost with it. Name another.")
        return typed

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        held = now_in_force()
        kwargs["initial"] = {
            **{field: getattr(held, field) for field in Choices.__dataclass_fields__},
            **(kwargs.get("initial") or {}),
        }
        super().__init__(*args, **kwargs)
        zone: Any = self.fields["time_zone"]
        zone.choices = [(name, name.replace("_", " ")) for name in sorted({*zones(), self.initial["time_zone"]})]
        for field in fixed():
            self.fields[field].disabled = True
            self.fields[field].help_text = BY_ENVIRONMENT

    def choices(self) -> Choices:
        return Choices(**{field: self.cleaned_data[field] for field in Choices.__dataclass_fields__})


class OpeningForm(ChoicesForm):
    """The first page of a shop: its choices and its first keeper."""

    username = forms.CharField(
        label="Your name to sign in with",
        max_length=40,
        help_text="Letters, digits and . - _ without blanks, such as winifred.",
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}),
    )
    called = forms.CharField(label="Your name as the shop says it", max_length=80)
    password = forms.CharField(
        label="Your password",
        strip=False,
        help_text="At least 8 characters, not a common word. You are the keeper: you make the other accounts.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )
    again = forms.CharField(
        label="Your password, once more",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )
    understood = forms.BooleanField(
        label="I put the shipped procedures in force as common practice; the vehicle maker's data, local rules and "
        "licensed practice come first."
    )

    OWN = ("username", "called", "password", "again")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        """The time zone is that of this computer; where it does not say, a person chooses."""
        decided = "time_zone" in fixed()
        super().__init__(*args, initial=None if decided else {"time_zone": own_zone()}, **kwargs)
        if not decided:
            zone: Any = self.fields["time_zone"]
            zone.choices = [("", "choose the time zone"), *((name, words) for name, words in zone.choices if name)]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        person = User(username=data.get("username", ""), called=data.get("called", ""), role=Role.KEEPER)
        if person.username:
            self._judge(person)
        typed, again = data.get("password"), data.get("again")
        if typed and again and typed != again:
            self.add_error("again", "This is another password than the one above. Type both again.")
        if typed:
            try:
                validate_password(typed, person)
            except ValidationError as error:
                self.add_error("password", error)
        return data

    def _judge(self, person: User) -> None:
        if person.username.lower() == AUTHOR:
            self.add_error("username", "This name belongs to the tool itself. Choose another.")
            return
        try:
            person.clean_fields(exclude=["password"])
        except ValidationError as error:
            for field, messages in error.message_dict.items():
                self.add_error(field if field in self.fields else None, messages)

    def keeper(self) -> FirstKeeper:
        data = self.cleaned_data
        return FirstKeeper(data["username"], data["called"], data["password"])


class PassphraseForm(forms.Form):
    """The passphrase that copies of backups are encrypted with."""

    passphrase = forms.CharField(
        label="Passphrase for the copies",
        min_length=SHORTEST,
        max_length=200,
        strip=False,
        help_text=f"At least {SHORTEST} characters: four words that have nothing to do with one another. Write it down "
        "and keep it away from the disk. It is stored nowhere; without it nobody can open the copies, not even you.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )
    again = forms.CharField(
        label="The passphrase, once more",
        max_length=200,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        typed, again = data.get("passphrase"), data.get("again")
        if typed and again and typed != again:
            self.add_error("again", "This is another passphrase than the one above. Type both again.")
        return data
