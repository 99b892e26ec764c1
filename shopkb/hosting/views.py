"""Opening the shop at its one-time address, and what it chose."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from shopkb.accounts import audit
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.hosting import certificates, choices, first_run, network, scheduled
from shopkb.hosting.forms import ChoicesForm, OpeningForm, PassphraseForm
from shopkb.hosting.opening import NotOpened, open_shop
from shopkb.procedures.models import Procedure
from shopkb.upkeep import encryption
from shopkb.web.qr import qr_code

SYSTEMS = (("Android", "android"), ("iPad", "apple"), ("iPhone", "apple"), ("Macintosh", "mac"), ("Windows", "windows"))
BACKEND = "django.contrib.auth.backends.ModelBackend"
STARTS_WITH = (
    "The procedures, cautions and limits that come with the tool name no vehicle maker's data. They make nobody "
    "qualified: work on vehicles can kill. Look each one through before your people follow it, and change what your "
    "vehicles need."
)


@login_not_required
@sensitive_post_parameters("password", "again")
@require_http_methods(["GET", "HEAD", "POST"])
def opening(request: HttpRequest, token: str) -> HttpResponse:
    """The first page of a new shop. Another token than the one that waits is answered 404, in words."""
    if not (first_run.is_waiting() and first_run.is_good(token)):
        return render(request, "hosting/no_such_opening.html", {"waiting": first_run.is_waiting()}, status=404)
    form = OpeningForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            person = open_shop(form.keeper(), form.choices(), at=timezone.now())
        except first_run.OpenedMeanwhile:
            return render(request, "hosting/no_such_opening.html", {"waiting": False}, status=404)
        except NotOpened as error:
            form.add_error(None, f"A file that comes with the tool is faulty: {error} Nothing was stored.")
        else:
            login(request, person, backend=BACKEND)
            count = Procedure.objects.published().count()
            messages.success(request, f"The shop is open, with {count} procedures in force.")
            return redirect("hosting:next")
    return render(
        request, "hosting/opening.html", {"form": form, "starts_with": STARTS_WITH}, status=422 if form.errors else 200
    )


@require_http_methods(["GET", "HEAD"])
def next_steps(request: SignedInRequest) -> HttpResponse:
    """What a keeper does with a shop that was just opened."""
    require(request.user, Right.UPKEEP)
    return render(request, "hosting/next.html")


@require_http_methods(["GET", "HEAD", "POST"])
def by_itself(request: SignedInRequest) -> HttpResponse:
    """What the service does every day, and what became of it; a keeper may have it done now."""
    require(request.user, Right.UPKEEP)
    if request.method == "POST":
        scheduled.ask()
        messages.success(request, "It is being done now.")
        return redirect("hosting:by-itself")
    told = scheduled.outcomes()
    rows = [{"name": scheduled.WORK[key][0], "told": told.get(key)} for key in scheduled.wanted()]
    context = {"rows": rows, "served": settings.PLAIN_PORT, "under_way": scheduled.is_under_way()}
    places = {"second": settings.SECOND_BACKUP, "folder": settings.BACKUP_DIR, "encrypted": _has_key()}
    return render(request, "hosting/scheduled.html", {**context, **places})


@sensitive_post_parameters("passphrase", "again")
@require_http_methods(["GET", "HEAD", "POST"])
def encrypted_copies(request: SignedInRequest) -> HttpResponse:
    """A keeper chooses a passphrase for the copies in the second place, another one, or none any more."""
    require(request.user, Right.UPKEEP)
    folder = Path(settings.DATA_DIR)
    if request.method == "POST" and "stop" in request.POST:
        try:
            encryption.keep_key(folder, None)
        except OSError as error:
            messages.error(request, f"It could not be stored: {error}. Nothing was changed.")
            return redirect("hosting:encryption")
        audit.note(audit.Action.BACKUP_KEY, "copies are not encrypted any more", by=request.user)
        messages.success(request, "New copies are not encrypted any more. Those that are there stay as they are.")
        return redirect("hosting:by-itself")
    form = PassphraseForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            key = encryption.make_key(folder, form.cleaned_data["passphrase"])
        except OSError as error:
            form.add_error(None, f"The key could not be stored: {error}. Nothing was changed.")
        else:
            audit.note(audit.Action.BACKUP_KEY, f"copies are encrypted with {key.name}", by=request.user)
            messages.success(request, "Copies are encrypted from the next one on.")
            return redirect("hosting:by-itself")
    context = {"form": form, "encrypted": _has_key(), "undecided": not encryption.is_decided(folder)}
    return render(request, "hosting/encryption.html", context, status=422 if form.errors else 200)


def _has_key() -> bool:
    """A damaged key counts: the work of the day says what is wrong with it."""
    try:
        return encryption.key_in(Path(settings.DATA_DIR)) is not None
    except encryption.NotOpened:
        return True


@login_not_required
@require_safe
def health(_request: HttpRequest) -> JsonResponse:
    """Whether the server and its database answer, and in words what a monitor should call somebody for."""
    told = {"ok": True, "procedures": Procedure.objects.count()}
    return JsonResponse({**told, "troubles": scheduled.troubles(timezone.now())})


@require_safe
def tablets(request: SignedInRequest) -> HttpResponse:
    """How a tablet comes in: a QR code for its camera, with the address in letters below it."""
    held = certificates.certified(network.addresses()) if settings.TLS_PORT else []
    address = f"http://{held[0]}:{settings.PLAIN_PORT}{reverse('hosting:trust')}" if held else ""
    drawn = qr_code(address, f"QR code of {address}") if address else ""
    context = {"address": address, "drawn": drawn, "own_name": network.OWN_NAME, "port": settings.TLS_PORT}
    if address:
        context["fingerprint"] = certificates.fingerprint(_tls())
    return render(request, "hosting/tablets.html", context)


@login_not_required
@require_safe
def trust(request: HttpRequest) -> HttpResponse:
    """What a tablet does once, and the way in. Shown in the open: it holds nothing of the shop but its name."""
    if not settings.TLS_PORT:
        raise Http404
    try:
        name = urlsplit(f"//{request.get_host()}").hostname or ""
    except ValueError:
        name = ""
    onward = f"https://{f'[{name}]' if ':' in name else name}:{settings.TLS_PORT}/"
    context = {"onward": onward, "fingerprint": certificates.fingerprint(_tls()), "system": _system(request)}
    return render(request, "hosting/trust.html", context)


@login_not_required
@require_safe
def authority(_request: HttpRequest) -> HttpResponse:
    """The certificate that a tablet is told to trust."""
    if not settings.TLS_PORT:
        raise Http404
    headers = {"Content-Disposition": 'attachment; filename="workshop-network.crt"'}
    return HttpResponse(certificates.authority_der(_tls()), "application/x-x509-ca-cert", headers=headers)


def _tls() -> certificates.CertificateFiles:
    return certificates.place_in(settings.DATA_DIR)


def _system(request: HttpRequest) -> str:
    """Whose steps are shown first, by what the browser says of itself."""
    agent = request.headers.get("User-Agent", "")
    return next((system for mark, system in SYSTEMS if mark in agent), "")


@require_http_methods(["GET", "HEAD", "POST"])
def chosen(request: SignedInRequest) -> HttpResponse:
    """What the shop chose: shown and changed by a keeper."""
    require(request.user, Right.UPKEEP)
    form = ChoicesForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        choices.keep(form.choices())
        messages.success(request, "Kept. It holds from now on.")
        return redirect("hosting:choices")
    return render(request, "hosting/choices.html", {"form": form}, status=422 if form.errors else 200)
