"""The shop's own authority and certificate, held against OpenSSL (Python's ``ssl``), and what pages say of them."""

from __future__ import annotations

import re
import socket
import ssl
import stat
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.hosting import certificates, network
from shopkb.hosting.certificates import CertificateFiles, bring_up_to_date, certified, fingerprint

NOW = datetime.now(UTC)
NAMES = ["shopkb.local", "office.lan", "192.168.4.20"]


@pytest.fixture
def tls(tmp_path: Path) -> CertificateFiles:
    place = certificates.place_in(tmp_path)
    assert bring_up_to_date(place, NAMES, NOW)
    return place


def greeted(place: CertificateFiles, name: str) -> str:
    """The version of TLS that a client who trusts the authority alone comes to with a server under this name."""
    server = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    server.load_cert_chain(place.server, place.server_key)
    client = ssl.create_default_context(cafile=str(place.authority))
    ours, theirs = socket.socketpair()
    ours.settimeout(10)
    theirs.settimeout(10)

    def answer() -> None:
        try:
            server.wrap_socket(theirs, server_side=True).close()
        except OSError:
            theirs.close()

    thread = threading.Thread(target=answer)
    thread.start()
    try:
        with client.wrap_socket(ours, server_hostname=name) as held:
            return str(held.version())
    finally:
        ours.close()
        thread.join()


@pytest.mark.parametrize("name", [*NAMES, "localhost"])
def test_whoever_trusts_the_authority_comes_in_under_each_name(tls: CertificateFiles, name: str) -> None:
    assert greeted(tls, name) == "TLSv1.3"


@pytest.mark.parametrize("name", ["other.local", "192.168.4.21", "bank.example"])
def test_and_under_no_other(tls: CertificateFiles, name: str) -> None:
    with pytest.raises(ssl.SSLCertVerificationError):
        greeted(tls, name)


def test_the_authority_cannot_stand_in_for_anybody_outside(
    tls: CertificateFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even with its key: RFC 5280, name constraints."""
    monkeypatch.setattr(certificates, "certified", list)
    assert bring_up_to_date(tls, ["bank.example"], NOW)
    with pytest.raises(ssl.SSLCertVerificationError, match="permitted subtree violation"):
        greeted(tls, "bank.example")


def test_public_names_are_not_certified() -> None:
    held = ["shopkb.local", "bank.example", "localhost", "8.8.8.8", "10.1.2.3", "172.32.0.1", "fd00::1", "2001:db9::1"]
    assert certified(held) == ["shopkb.local", "localhost", "10.1.2.3", "fd00::1"]


def test_keys_are_for_this_account_alone(tls: CertificateFiles) -> None:
    assert stat.S_IMODE(tls.folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in tls.folder.iterdir()} == {0o600}


def test_nothing_is_made_again_while_it_holds(tls: CertificateFiles) -> None:
    before = {path.name: path.read_bytes() for path in tls.folder.iterdir()}
    assert not bring_up_to_date(tls, reversed(NAMES), NOW + timedelta(days=300))
    assert {path.name: path.read_bytes() for path in tls.folder.iterdir()} == before


@pytest.mark.parametrize(
    ("names", "days"), [(NAMES, 340), ([*NAMES, "192.168.4.21"], 0), (NAMES[1:], 0)], ids=["late", "more", "fewer"]
)
def test_the_certificate_is_renewed_and_the_authority_stays(tls: CertificateFiles, names: list[str], days: int) -> None:
    authority, server = fingerprint(tls), tls.server.read_bytes()
    assert bring_up_to_date(tls, names, NOW + timedelta(days=days))
    assert fingerprint(tls) == authority
    assert tls.server.read_bytes() != server
    assert days or greeted(tls, names[-1]) == "TLSv1.3"


@pytest.mark.parametrize("lost", ["server.pem", "server-key.pem", "authority.pem", "authority-key.pem"])
@pytest.mark.parametrize("body", [None, b"", b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"])
def test_what_was_lost_or_half_written_is_made_anew(tls: CertificateFiles, lost: str, body: bytes | None) -> None:
    path = tls.folder / lost
    path.unlink() if body is None else path.write_bytes(body)
    assert bring_up_to_date(tls, NAMES, NOW)
    assert greeted(tls, "office.lan") == "TLSv1.3"


def test_what_browsers_ask_of_a_certificate(tls: CertificateFiles) -> None:
    """CA/Browser Forum, Baseline Requirements 6.3.2: at most 398 days; RFC 9110, 4.3.4: names stand in the
    alternative ones; Apple asks for the purpose of a server."""
    held = x509.load_pem_x509_certificate(tls.server.read_bytes())
    assert held.not_valid_after_utc - held.not_valid_before_utc <= timedelta(days=398)
    purpose = held.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert [one.dotted_string for one in purpose] == ["1.3.6.1.5.5.7.3.1"]


def test_a_full_disk_leaves_the_old_ones(tls: CertificateFiles, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    before = {path.name: path.read_bytes() for path in tls.folder.iterdir()}
    monkeypatch.setattr(certificates.os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        bring_up_to_date(tls, ["new.local"], NOW)
    assert {path.name: path.read_bytes() for path in tls.folder.iterdir()} == before


# Pages


@pytest.fixture
def spoken(tls: CertificateFiles, settings: Any) -> Iterator[None]:
    settings.DATA_DIR = tls.folder.parent
    settings.TLS_PORT, settings.PLAIN_PORT = 8443, 8000
    settings.ALLOWED_HOSTS = ["192.168.4.20", "testserver", "127.0.0.1"]
    yield


def said(body: bytes) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", body.decode()).split())


@pytest.mark.django_db
def test_from_the_network_in_the_open_there_is_one_page(spoken: None, client: Client, junior: User) -> None:
    client.force_login(junior)
    there = {"REMOTE_ADDR": "192.168.4.77", "HTTP_HOST": "192.168.4.20:8000"}
    for path in ("/", "/sign-in/", "/jobs/", "/shop/tablets/", "/admin/"):
        for answer in (client.get(path, **there), client.post(path, **there)):
            assert (answer.status_code, answer.headers["Location"]) == (302, reverse("hosting:trust")), path
            assert not answer.cookies
    page = client.get(reverse("hosting:trust"), **there)
    assert "https://192.168.4.20:8443/" in page.content.decode()
    assert client.get("/health/", **there).status_code == 200
    assert client.get("/jobs/", REMOTE_ADDR="127.0.0.1").status_code == 200
    assert client.get("/jobs/", secure=True, REMOTE_ADDR="192.168.4.77").status_code == 200


@pytest.mark.django_db
def test_an_address_in_a_header_makes_nobody_local(spoken: None, client: Client) -> None:
    headers = {"HTTP_X_FORWARDED_FOR": "127.0.0.1", "HTTP_X_FORWARDED_PROTO": "https"}
    assert client.get("/sign-in/", REMOTE_ADDR="192.168.4.77", **headers).status_code == 302


@pytest.mark.django_db
def test_cookies_given_over_tls_are_for_tls(spoken: None, client: Client) -> None:
    given = client.get("/sign-in/", secure=True).cookies
    assert given and all(cookie["secure"] for cookie in given.values())
    assert not any(cookie["secure"] for cookie in client.get("/sign-in/").cookies.values())


@pytest.mark.django_db
def test_the_certificate_that_a_tablet_takes_is_the_authority_s(
    spoken: None, tls: CertificateFiles, client: Client
) -> None:
    answer = client.get(reverse("hosting:authority"), REMOTE_ADDR="192.168.4.77")
    held = x509.load_der_x509_certificate(answer.content)
    assert held.public_bytes(serialization.Encoding.PEM) == tls.authority.read_bytes()
    assert fingerprint(tls).replace(" ", "").lower() == held.fingerprint(hashes.SHA256()).hex()
    assert answer.headers["Content-Type"] == "application/x-x509-ca-cert"


@pytest.mark.django_db
def test_the_code_leads_to_the_page_in_the_open(
    spoken: None, client: Client, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(network, "addresses", lambda: ["192.168.4.20"])
    client.force_login(junior)
    page = client.get(reverse("hosting:tablets")).content.decode()
    assert 'aria-label="QR code of http://192.168.4.20:8000/shop/trust/"' in page
    assert "<svg" in page


@pytest.mark.django_db
def test_without_tls_the_page_says_what_to_start(client: Client, junior: User) -> None:
    client.force_login(junior)
    assert "start manage.py shop" in said(client.get(reverse("hosting:tablets")).content)


def test_a_wrong_name_is_answered_with_what_to_set(client: Client) -> None:
    answer = client.get("/sign-in/", HTTP_HOST="shop.example:8443")
    assert answer.status_code == 400
    words = said(answer.content)
    assert "You asked for shop.example:8443" in words and "adds it, without the port, to SHOPKB_HOSTS" in words


AGENTS = {
    "Mozilla/5.0 (Linux; Android 14; Tablet)": "Android",
    "Mozilla/5.0 (iPad; CPU OS 17_0 like Mac OS X)": "iPad and iPhone",
    "Mozilla/5.0 (Windows NT 10.0; Win64; x64)": "Windows",
    "Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15)": "Mac",
    "": "Android",
}


@pytest.mark.django_db
@pytest.mark.parametrize("agent", AGENTS)
def test_the_steps_of_the_own_system_are_open(spoken: None, client: Client, agent: str) -> None:
    page = client.get(reverse("hosting:trust"), headers={"user-agent": agent}).content.decode()
    assert re.findall(r"<details open>\s*<summary>([^<]+)", page) == [AGENTS[agent]]
