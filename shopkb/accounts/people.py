"""Pages on which a keeper makes accounts and changes them: roles, who may sign in, what was lost or locked."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from axes.utils import reset
from django import forms
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.password_validation import validate_password
from django.db import IntegrityError, transaction
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts import second_factor
from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, Role, require

ROLE_WORDS = {
    Role.TECHNICIAN: "technician: books in, follows procedures, closes jobs",
    Role.WRITER: "writer: writes procedures too, and keeps the catalogue",
    Role.MANAGER: "manager: sees the figures of the shop too, and confirms procedures",
    Role.KEEPER: "keeper: may do everything, and keeps people, backups and the shop itself",
}


if TYPE_CHECKING:
    AccountForm = forms.ModelForm[User]
else:
    AccountForm = forms.ModelForm


NOT_A_NAME = "new"
"""``/people/new/`` is the page for a new account; an account of this name could not be opened."""


def _plain(name: str) -> str:
    """The name without the difference of capitals and of wide letters."""
    return unicodedata.normalize("NFKC", name).casefold()


class PasswordField(forms.CharField):
    """A first or new password, held against Django's rules."""

    def __init__(self, **options: Any) -> None:
        box = forms.PasswordInput(attrs={"autocomplete": "new-password"})
        super().__init__(strip=False, max_length=128, widget=box, **options)

    def clean(self, value: Any) -> str:
        typed = str(super().clean(value) or "")
        if typed:
            validate_password(typed)
        return typed


class PersonForm(AccountForm):
    """Who a person is and what they may do."""

    role = forms.ChoiceField(
        choices=[(role.value, words) for role, words in ROLE_WORDS.items()], widget=forms.RadioSelect
    )
    password = PasswordField(label="New password", required=False)

    class Meta:
        model = User
        fields = ("username", "called", "role", "is_active")
        labels = {"username": "Name to sign in with", "called": "Name as the shop says it", "is_active": "May sign in"}
        help_texts = {
            "username": "Letters, digits and . _ - only.",
            "called": "Stands on jobs and papers.",
            "is_active": "Take the tick out when somebody leaves. What they did keeps their name.",
        }

    def __init__(self, *args: Any, by: User, **more: Any) -> None:
        super().__init__(*args, **more)
        self.by = by
        if self.instance._state.adding:
            del self.fields["is_active"]
            self.fields["password"].required = True
            self.fields["password"].label = "First password"
        self.fields[
            "password"
        ].help_text = "Tell it to them in person. They change it on their front page. A PIN stays as it is."

    def clean_username(self) -> str:
        """Another name than everybody else's to the eye of whoever reads a log, and no word of an address."""
        typed = str(self.cleaned_data["username"])
        if "username" not in self.changed_data:
            return typed
        if not re.fullmatch(r"[\w.-]*\w[\w.-]*", typed):
            raise forms.ValidationError("Letters, digits and . _ - only, one letter or digit at least.")
        if typed == NOT_A_NAME:
            raise forms.ValidationError("This word stands in the address of a page. Choose another name.")
        for name in User.objects.exclude(pk=self.instance.pk).values_list("username", flat=True):
            if name != typed and _plain(name) == _plain(typed):
                raise forms.ValidationError(f"Somebody signs in as “{name}” already. Choose another name.")
        return typed

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        person = self.instance
        if data.get("password"):
            try:
                validate_password(data["password"], User(username=data.get("username", person.username)))
            except forms.ValidationError as error:
                self.add_error("password", error)
        if person == self.by:
            if not data.get("is_active", True):
                self.add_error("is_active", "You would lock yourself out. Another keeper can do this.")
            if data.get("role") != Role.KEEPER and not person.is_superuser:
                self.add_error("role", "You would no longer be a keeper. Another keeper can do this.")
        return data

    def save(self, commit: bool = True) -> User:
        person = super().save(commit=False)
        if self.cleaned_data["password"]:
            person.set_password(self.cleaned_data["password"])
        person.save()
        return person


@require_safe
def people(request: SignedInRequest) -> HttpResponse:
    """Everybody with an account, those who may sign in first."""
    require(request.user, Right.PEOPLE)
    rows = User.objects.select_related("second_factor").order_by("-is_active", "username")
    return render(request, "accounts/people.html", {"people": rows, "section": "people"})


@sensitive_post_parameters("password")
@require_http_methods(["GET", "HEAD", "POST"])
def person(request: SignedInRequest, username: str = "") -> HttpResponse:
    """A new account, or one to change."""
    require(request.user, Right.PEOPLE)
    row = get_object_or_404(User, username=username) if username else None
    before = str(row) if row else ""
    form = PersonForm(request.POST or None, instance=row, by=request.user)
    if request.method == "POST" and form.is_valid() and (kept := _stored(form, request.user)):
        if kept == request.user:
            update_session_auth_hash(request, kept)
        messages.success(request, f"{kept}: {'changed' if row else 'the account is made'}.")
        return redirect("people")
    stored = User.objects.filter(pk=row.pk).first() if row else None  # a refused form has put what was typed into row
    context = {"form": form, "row": stored, "name": before, "section": "people"}
    return render(request, "accounts/person.html", context, status=422 if form.errors else 200)


def _stored(form: PersonForm, by: User) -> User | None:
    """One keeper after the other: of two who take the keeper's role from each other at once, one stays keeper. ``None``
    with an error in the form where somebody took the name meanwhile.

    Raises:
        PermissionDenied: whoever asks is no keeper any more by now.
    """
    try:
        with transaction.atomic():
            list(User.objects.select_for_update().filter(role=Role.KEEPER).order_by("pk"))
            require(User.objects.get(pk=by.pk), Right.PEOPLE)
            return form.save()
    except IntegrityError:
        form.add_error("username", "Somebody made this account a moment ago. Look at the list of people.")
        return None


def _let_sign_in_again(person: User) -> str:
    reset(username=person.username)
    reset(username=f"{person.username}{second_factor.COUNTED}")
    return "can sign in again at once"


def _take_pin_away(person: User) -> str:
    person.pin = ""
    person.save(update_fields=["pin"])
    return "has no PIN any more, and sets a new one with the password"


def _take_second_factor_away(person: User) -> str:
    second_factor.take_away(person)
    return "has no second factor any more. Make sure that it was they who asked"


ACTS: dict[str, Callable[[User], str]] = {
    "sign-in-again": _let_sign_in_again,
    "no-pin": _take_pin_away,
    "no-second-factor": _take_second_factor_away,
}


@require_POST
def act_on_person(request: SignedInRequest, username: str, act: str) -> HttpResponse:
    """What helps somebody who forgot, lost or was locked out."""
    require(request.user, Right.PEOPLE)
    row = get_object_or_404(User, username=username)
    if act not in ACTS:
        raise Http404
    messages.success(request, f"{row} {ACTS[act](row)}.")
    return redirect("person", username)
