"""Signing in, the PIN, and changing hands at a shared tablet."""

from __future__ import annotations

from datetime import timedelta
from textwrap import wrap
from typing import Any

import segno
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.views import LoginView, PasswordChangeView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.urls import reverse_lazy
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from shopkb.accounts import second_factor, tablet
from shopkb.accounts.forms import CodeForm, NewFactorForm, OwnPasswordForm, PinForm, SignInForm, SwitchForm
from shopkb.accounts.models import User
from shopkb.accounts.pins import BACKEND, may_have_pin, people_with_pin, set_pin

NEW_KEY = "new_second_factor"
"""Key in the session of the secret that is being set up: the same until a code has proven it."""


class SignIn(LoginView):
    """With name and password; whoever signs in says whether the tablet is shared."""

    template_name = "accounts/login.html"
    redirect_authenticated_user = True
    authentication_form = SignInForm

    def form_valid(self, form: SignInForm) -> HttpResponse:  # type: ignore[override]
        response = super().form_valid(form)
        if form.cleaned_data["shared"]:
            tablet.share(self.request, timezone.now() + timedelta(seconds=settings.SESSION_COOKIE_AGE))
        return response


class NewPassword(PasswordChangeView):
    """A person's own new password, with the old one."""

    template_name = "accounts/password.html"
    success_url = reverse_lazy("home")
    form_class = OwnPasswordForm

    def get_form_kwargs(self) -> dict[str, Any]:
        return {**super().get_form_kwargs(), "request": self.request}


@sensitive_post_parameters("pin")
@require_http_methods(["GET", "HEAD", "POST"])
def switch(request: HttpRequest) -> HttpResponse:
    """Another person, or the same one after a pause, goes on at a shared tablet with their PIN."""
    until = tablet.shared_until(request)
    if request.method != "POST" or until is None:
        return switch_page(request)
    form = SwitchForm(request, request.POST)
    if not form.is_valid() or form.person is None:
        return switch_page(request, form=form, kept=request.POST.get("kept", ""))
    before = request.user.pk
    login(request, form.person, backend=BACKEND)
    tablet.share(request, until)
    kept = tablet.read_kept(request.POST.get("kept", ""))
    if kept is not None and kept["who"] == form.person.pk:
        shown = [(name.replace("_", " "), text) for name, text in kept["fields"] if text and name != "client_id"]
        return render(request, "accounts/send_again.html", {**kept, "shown": shown})
    if kept is not None:
        messages.warning(request, "What the person before you had typed was not sent. Ask them to enter it again.")
    onward = request.POST.get("next", "")
    if before == form.person.pk and url_has_allowed_host_and_scheme(onward, {request.get_host()}, request.is_secure()):
        return redirect(onward)
    return redirect(resolve_url(settings.LOGIN_REDIRECT_URL))


def switch_page(request: HttpRequest, form: SwitchForm | None = None, kept: str = "") -> HttpResponse:
    """The page that asks who goes on. ``kept``: a form that came while the tablet was locked."""
    context = {
        "form": form or SwitchForm(request, initial={"username": _username(request)}),
        "until": tablet.shared_until(request),
        "locked": tablet.is_shared(request) and tablet.is_locked(request),
        "nobody": not people_with_pin(),
        "next": request.GET.get("next", request.POST.get("next", "")),
        "kept": kept,
    }
    return render(request, "accounts/switch.html", context)


@sensitive_post_parameters("password", "pin", "again")
@require_http_methods(["GET", "HEAD", "POST"])
def pin(request: HttpRequest) -> HttpResponse:
    """A person sets their PIN, with their password."""
    person = request.user
    assert isinstance(person, User)  # noqa: S101 - the middleware lets nobody else in
    form = PinForm(request, person, request.POST or None)
    if request.method == "POST" and form.is_valid():
        set_pin(person, form.cleaned_data["pin"])
        messages.success(request, "Your PIN is set. Use it at tablets that are shared.")
        return redirect("home")
    return render(request, "accounts/pin.html", {"form": form, "may_have_pin": may_have_pin(person)})


@sensitive_post_parameters("code")
@require_http_methods(["GET", "HEAD", "POST"])
def second_factor_page(request: HttpRequest) -> HttpResponse:
    """After the password: the code of the second factor, before any page opens."""
    if request.session.get(second_factor.STATE) != second_factor.DUE:
        return redirect("home")
    form = CodeForm(request, request.POST or None)
    if request.method == "POST" and form.is_valid():
        del request.session[second_factor.STATE]
        request.session.cycle_key()
        return redirect(_onward(request))
    context = {"form": form, "next": request.GET.get("next", request.POST.get("next", ""))}
    return render(request, "accounts/second_factor.html", context, status=422 if form.errors else 200)


@sensitive_post_parameters("password", "code")
@require_http_methods(["GET", "HEAD", "POST"])
def set_second_factor(request: HttpRequest) -> HttpResponse:
    """Set a second factor up, or anew: scan, type the first code, keep the recovery codes."""
    person = request.user
    assert isinstance(person, User)  # noqa: S101 - the middleware lets nobody else in
    if request.session.get(second_factor.STATE) == second_factor.DUE:
        return redirect("second-factor")
    if not second_factor.is_for(person):
        return render(request, "accounts/second_factor_set.html", {"not_for": True})
    secret = request.session.setdefault(NEW_KEY, second_factor.new_secret())
    form = NewFactorForm(request, request.POST or None)
    if request.method == "POST" and form.is_valid():
        codes = second_factor.set_up(person, secret, form.cleaned_data["code"], at=timezone.now())
        if codes is not None:
            del request.session[NEW_KEY]
            request.session.pop(second_factor.STATE, None)
            return render(request, "accounts/recovery_codes.html", {"codes": codes, "onward": _onward(request)})
        form.add_error("code", "This is not the code of now. Set the clock of your phone right, and type the next.")
    address = second_factor.address_of(secret, person)
    drawn = segno.make(address, error="m", micro=False).svg_inline(border=4, omitsize=True)
    context = {
        "form": form,
        "drawn": drawn,
        "secret": " ".join(wrap(secret, 4)),
        "required": request.session.get(second_factor.STATE) == second_factor.TO_BE_SET,
        "left": second_factor.codes_left(person),
        "next": request.GET.get("next", request.POST.get("next", "")),
    }
    return render(request, "accounts/second_factor_set.html", context, status=422 if form.errors else 200)


def _onward(request: HttpRequest) -> str:
    """The page asked for before, if it is ours; else the front page."""
    onward = request.POST.get("next", "")
    if url_has_allowed_host_and_scheme(onward, {request.get_host()}, request.is_secure()):
        return onward
    return resolve_url(settings.LOGIN_REDIRECT_URL)


def _username(request: HttpRequest) -> str:
    return getattr(request.user, "username", "")
