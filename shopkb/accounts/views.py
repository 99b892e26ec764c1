"""Signing in, the PIN, and changing hands at a shared tablet."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

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

from shopkb.accounts import tablet
from shopkb.accounts.forms import OwnPasswordForm, PinForm, SignInForm, SwitchForm
from shopkb.accounts.models import User
from shopkb.accounts.pins import BACKEND, may_have_pin, people_with_pin, set_pin


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


def _username(request: HttpRequest) -> str:
    return getattr(request.user, "username", "")
