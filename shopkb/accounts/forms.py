"""Forms of signing in, of setting a PIN, and of changing hands at a shared tablet."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth import authenticate
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from shopkb.accounts.models import User
from shopkb.accounts.pins import LONGEST, SHORTEST, may_have_pin, people_with_pin, validate_pin
from shopkb.accounts.second_factor import is_own_code


def pin_field(label: str, autocomplete: str, help_text: str = "") -> forms.CharField:
    attrs = {"inputmode": "numeric", "autocomplete": autocomplete}
    widget = forms.PasswordInput(attrs=attrs)
    return forms.CharField(label=label, max_length=LONGEST, widget=widget, help_text=help_text, strip=True)


class SignInForm(AuthenticationForm):
    shared = forms.BooleanField(
        label="Several people use this tablet",
        required=False,
        help_text="Colleagues then go on with their PIN, and it locks when nobody touches it.",
    )


class SwitchForm(forms.Form):
    """Who goes on, and their PIN."""

    username = forms.ChoiceField(label="Who goes on", widget=forms.RadioSelect)
    pin = pin_field("PIN", "off")

    def __init__(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request
        self.people = people_with_pin()
        names: Any = self.fields["username"]
        names.choices = [(person.username, str(person)) for person in self.people]
        self.person: User | None = None

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if "username" in data and "pin" in data:
            found = authenticate(self.request, username=data["username"], pin=data["pin"])
            self.person = found if isinstance(found, User) else None
            if self.person is None:
                name = dict(self.fields["username"].choices)[data["username"]]  # type: ignore[attr-defined]
                self.add_error("pin", f"That is not the PIN of {name}. Enter it again, or sign in with a password.")
        return data


def is_own_password(request: HttpRequest, password: str) -> bool:
    """Whether it is the password of whoever is signed in. A wrong one counts as a failed sign-in does, and at the fifth
    the lock of :mod:`axes` answers."""
    found = authenticate(request, username=request.user.get_username(), password=password)
    return found is not None and found.pk == request.user.pk


def code_field(label: str) -> forms.CharField:
    attrs = {"autocomplete": "one-time-code", "autocapitalize": "none", "spellcheck": "false"}
    return forms.CharField(label=label, max_length=40, widget=forms.TextInput(attrs=attrs))


class CodeForm(forms.Form):
    """The code of somebody's second factor."""

    code = code_field("Code from your phone, or a recovery code")

    def __init__(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request

    def clean_code(self) -> str:
        code: str = self.cleaned_data["code"]
        if not is_own_code(self.request, code):
            raise ValidationError("This code is not good, or was used before. Wait for the next one.", code="code")
        return code


class NewFactorForm(forms.Form):
    """A new second factor: the password, and the first code of the phone."""

    password = forms.CharField(
        label="Your password", strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )
    code = code_field("Code that your phone shows now")

    def __init__(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request

    def clean_password(self) -> str:
        password: str = self.cleaned_data["password"]
        if not is_own_password(self.request, password):
            raise ValidationError("This is not your password. Type it again.", code="password")
        return password


class OwnPasswordForm(PasswordChangeForm):
    """Django's form for a new password, with wrong old ones counted."""

    def __init__(self, user: User, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().__init__(user, *args, **kwargs)
        self.request = request

    def clean_old_password(self) -> str:
        password: str = self.cleaned_data["old_password"]
        if not is_own_password(self.request, password):
            raise ValidationError(self.error_messages["password_incorrect"], code="password_incorrect")
        return password


class PinForm(forms.Form):
    """A person's own PIN, set with their password."""

    password = forms.CharField(
        label="Your password", strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )
    pin = pin_field("New PIN", "off", f"{SHORTEST} to {LONGEST} digits.")
    again = pin_field("New PIN, once more", "off")

    def __init__(self, request: HttpRequest, person: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request, self.person = request, person

    def clean_password(self) -> str:
        password: str = self.cleaned_data["password"]
        if not is_own_password(self.request, password):
            raise ValidationError("This is not your password. Type it again.", code="password")
        return password

    def clean_pin(self) -> str:
        pin: str = self.cleaned_data["pin"]
        validate_pin(pin)
        return pin

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not may_have_pin(self.person):
            raise ValidationError("People who manage accounts have no PIN: they always sign in with their password.")
        if "pin" in data and data["pin"] != data.get("again"):
            self.add_error("again", "This is another PIN than the one above. Type both again.")
        return data
