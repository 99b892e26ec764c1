"""TLS on the shop's own network: an authority made once, and a certificate for this computer that it renews.

Tablets are told once to trust the authority. It is bound to names and addresses of private networks, so that whoever
got hold of its key could not stand in for anybody else. Keys are ECDSA on P-256; both lie in the folder ``tls`` of the
data folder, for the account that runs the service alone.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

AUTHORITY_DAYS = 3650
SERVER_DAYS = 397
"""Browsers take a certificate of at most 398 days from public authorities; ours keeps to that too."""
RENEWED_BEFORE = timedelta(days=60)
SLOW_CLOCK = timedelta(days=1)
"""Certificates begin so long ago, for tablets whose clock is behind."""
PRIVATE_NAMES = ("localhost", "local", "lan", "home", "internal", "localdomain", "home.arpa")
"""Ends of names that no public authority certifies, as home and office routers give them."""
PRIVATE_NETWORKS = (
    "127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "100.64.0.0/10", "192.0.2.0/24",
    "::1/128", "fc00::/7", "fe80::/10",
)  # fmt: skip
"""RFC 1918, 3927, 6598, 5737 (for trials), 4193 and 4291."""


@dataclass(frozen=True, slots=True)
class CertificateFiles:
    """The files of a shop's TLS."""

    folder: Path

    @property
    def authority(self) -> Path:
        return self.folder / "authority.pem"

    @property
    def authority_key(self) -> Path:
        return self.folder / "authority-key.pem"

    @property
    def server(self) -> Path:
        return self.folder / "server.pem"

    @property
    def server_key(self) -> Path:
        return self.folder / "server-key.pem"


def place_in(data_folder: Path) -> CertificateFiles:
    return CertificateFiles(Path(data_folder) / "tls")


def certified(names: Iterable[str]) -> list[str]:
    """Of names and addresses of this computer, those that the authority may certify: private ones."""
    return [name for name in names if _is_private(name)]


def bring_up_to_date(place: CertificateFiles, names: Iterable[str], at: datetime) -> bool:
    """Make what is missing, and renew the certificate when it is about to run out or does not hold these names and
    addresses. Whether anything was made.

    Raises:
        OSError: the folder cannot be written, or the disk is full.
    """
    place.folder.mkdir(mode=0o700, exist_ok=True)
    made = False
    if not _is_whole(place.authority, place.authority_key) or _ends(place.authority) - at < RENEWED_BEFORE:
        _make_authority(place, at)
        made = True
    wanted = sorted({"localhost", *certified(names)})
    if made or not _serves(place, wanted, at):
        _make_server(place, wanted, at)
        made = True
    return made


def authority_der(place: CertificateFiles) -> bytes:
    """The authority's certificate as tablets, phones and computers take it in."""
    return _read(place.authority).public_bytes(serialization.Encoding.DER)


def fingerprint(place: CertificateFiles) -> str:
    """SHA-256 of the authority's certificate, in groups: to compare on both screens."""
    digest = _read(place.authority).fingerprint(hashes.SHA256()).hex().upper()
    return " ".join(digest[start : start + 4] for start in range(0, len(digest), 4))


def _serves(place: CertificateFiles, wanted: list[str], at: datetime) -> bool:
    if not _is_whole(place.server, place.server_key):
        return False
    found = _read(place.server)
    names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    held = sorted({*names.get_values_for_type(x509.DNSName), *map(str, names.get_values_for_type(x509.IPAddress))})
    return held == wanted and found.not_valid_after_utc - at > RENEWED_BEFORE


def _is_whole(certificate: Path, key: Path) -> bool:
    """Whether both files are there and belong together."""
    try:
        public = _read(certificate).public_key()
        private = _key(key).public_key()
    except (OSError, ValueError):
        return False
    return public == private


def _make_authority(place: CertificateFiles, at: datetime) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Workshop network, since {at:%Y-%m-%d}")])
    networks: list[IPv4Network | IPv6Network] = [ip_network(one) for one in PRIVATE_NETWORKS]
    allowed: list[x509.GeneralName] = [
        *(x509.DNSName(end) for end in PRIVATE_NAMES),
        *(x509.IPAddress(one) for one in networks),
    ]
    made = (
        _begun(name, name, key, at, AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.NameConstraints(allowed, None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    _write_key(place.authority_key, key)
    _write(place.authority, made.public_bytes(serialization.Encoding.PEM))


def _make_server(place: CertificateFiles, names: list[str], at: datetime) -> None:
    authority, authority_key = _read(place.authority), _key(place.authority_key)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Workshop knowledge base")])
    made = (
        _begun(name, authority.subject, key, at, SERVER_DAYS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName([_general(one) for one in names]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    _write_key(place.server_key, key)
    _write(place.server, made.public_bytes(serialization.Encoding.PEM))


def _begun(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, at: datetime, days: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - SLOW_CLOCK)
        .not_valid_after(at - SLOW_CLOCK + timedelta(days=days))
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _is_private(name: str) -> bool:
    try:
        address = ip_address(name)
    except ValueError:
        return any(name == end or name.endswith(f".{end}") for end in PRIVATE_NAMES)
    return any(address in ip_network(one) for one in PRIVATE_NETWORKS)


def _ends(path: Path) -> datetime:
    return _read(path).not_valid_after_utc


def _read(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def _key(path: Path) -> ec.EllipticCurvePrivateKey:
    key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise ValueError(f"{path} holds another kind of key.")
    return key


def _write_key(path: Path, key: ec.EllipticCurvePrivateKey) -> None:
    _write(
        path,
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()),
    )


def _write(path: Path, body: bytes) -> None:
    """All of it or nothing, readable by this account alone."""
    part = path.with_suffix(".part")
    part.unlink(missing_ok=True)
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
