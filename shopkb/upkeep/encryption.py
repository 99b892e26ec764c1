"""Copies of backups that leave this computer, encrypted in the age format (age-encryption.org/v1), by pyrage.

The service keeps the public key alone and can encrypt without anybody at hand. The secret key lies beside the copies,
itself encrypted with a passphrase that is stored nowhere: whoever finds the disk cannot read them, and whoever has the
passphrase can, with this tool or with any other that knows the format.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import pyrage

from shopkb.upkeep.archive import ArchiveError
from shopkb.web.durable import sync_folder

SUFFIX = ".age"
SHORTEST = 12
"""Characters of a passphrase."""
LARGEST_KEY = 64 * 1024
"""Bytes of a key file; ours has about 300."""
KEY_FILE = "backup-key.json"
_PLAIN = b"AGE-SECRET-KEY-1"
BINARY = getattr(os, "O_BINARY", 0)
"""Windows changes line ends without it."""


class NotOpened(ArchiveError):
    """An encrypted copy could not be opened; the sentence says what was missing or wrong."""


@dataclass(frozen=True, slots=True)
class BackupKey:
    """The key that copies are encrypted with: its public half, and its secret half encrypted with the passphrase."""

    public: str
    sealed: bytes

    @property
    def name(self) -> str:
        """Name of the key's file beside the copies: another one for each key."""
        return f"shopkb-key-{hashlib.sha256(self.public.encode()).hexdigest()[:8]}{SUFFIX}"


def make_key(folder: Path, passphrase: str) -> BackupKey:
    """Make a new key and keep it in the folder, in the place of an older one. Takes about a second, on purpose.

    Raises:
        OSError: the folder cannot be written; an older key stays in force.
    """
    identity = pyrage.x25519.Identity.generate()
    key = BackupKey(str(identity.to_public()), pyrage.passphrase.encrypt(str(identity).encode(), _typed(passphrase)))
    keep_key(folder, key)
    return key


def keep_key(folder: Path, key: BackupKey | None) -> None:
    """Both halves in one file, so that they never part; ``None``: it was decided that copies are not encrypted.

    Raises:
        OSError: the folder cannot be written; what was decided before stays in force.
    """
    held = {"public": key.public, "sealed": base64.b64encode(key.sealed).decode()} if key else {}
    write_whole(folder / KEY_FILE, json.dumps(held).encode())


def is_decided(folder: Path) -> bool:
    """Whether somebody has said that copies are encrypted, or that they are not."""
    return (folder / KEY_FILE).exists()


def key_in(folder: Path) -> BackupKey | None:
    """The key in force; none where copies are not encrypted.

    Raises:
        NotOpened: the key's file is damaged, so that nothing may be copied as if there were none.
    """
    try:
        held = json.loads((folder / KEY_FILE).read_bytes())
        if not held:
            return None
        pyrage.x25519.Recipient.from_str(held["public"])
        return BackupKey(held["public"], base64.b64decode(held["sealed"], validate=True))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, pyrage.RecipientError) as error:
        raise NotOpened(f"The key for backups in {folder} is damaged. Choose a passphrase again.") from error


def put_beside(folder: Path, key: BackupKey) -> None:
    """Put the key beside the copies that it was for, once.

    Raises:
        NotOpened: another key has its name there; what is there is needed for older copies.
        OSError: the folder cannot be written.
    """
    target = folder / key.name
    if not target.exists():
        write_whole(target, key.sealed)
    elif target.read_bytes() != key.sealed:
        raise NotOpened(f"{target} is not the key in force. Choose a passphrase again, and keep that file.")


def encrypt(source: Path, target: Path, key: BackupKey) -> str:
    """Write the encrypted file, on the disk before this returns; SHA-256 of what it has to hold.

    Raises:
        OSError: it cannot be written, or the disk is full.
    """
    recipient = pyrage.x25519.Recipient.from_str(key.public)
    with source.open("rb") as read, private(target) as written:
        counted = _Digesting(written)
        pyrage.encrypt_io(read, counted, [recipient])
        written.flush()
        os.fsync(written.fileno())
    return counted.digest.hexdigest()


def digest_of(path: Path) -> str:
    """SHA-256 of a file as it lies on the disk."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def is_encrypted(path: Path) -> bool:
    return path.suffix == SUFFIX


def key_files_beside(path: Path) -> list[Path]:
    """Keys that lie in the folder of an encrypted copy."""
    return sorted(path.parent.glob(f"shopkb-key-*{SUFFIX}"))


def needs_passphrase(path: Path) -> bool:
    """Whether this key file is encrypted itself."""
    return _PLAIN not in _read_key(path)


def decrypt(source: Path, target: Path, keys: list[Path], passphrase: str) -> None:
    """Write the backup that an encrypted copy holds; nothing is left of it unless it is whole.

    ``keys`` are files of secret keys: encrypted with the passphrase, or as they are.

    Raises:
        NotOpened: no key file, another passphrase, the key of another copy, or a copy that is damaged.
        OSError: the target cannot be written.
    """
    identities = list(_identities(source, keys, passphrase))
    try:
        with source.open("rb") as read, private(target) as written:
            pyrage.decrypt_io(read, written, identities)
            written.flush()
            os.fsync(written.fileno())
    except pyrage.DecryptError as error:
        target.unlink(missing_ok=True)
        if "No matching keys" in str(error):
            raise NotOpened(f"{source.name} was encrypted with another key than {_names(keys)}.") from error
        raise NotOpened(f"{source.name} is no whole encrypted backup. Take another copy.") from error
    except OSError as error:
        target.unlink(missing_ok=True)
        if error.errno is None:  # of the format, not of the disk
            raise NotOpened(f"{source.name} is damaged. Take another copy.") from error
        raise


def _identities(source: Path, keys: list[Path], passphrase: str) -> Iterator[pyrage.x25519.Identity]:
    if not keys:
        raise NotOpened(
            f"{source.name} is encrypted, and no key lies beside it (shopkb-key-….age). Name its file with --key."
        )
    opened = [text for path in keys if (text := _secret(path, passphrase))]
    if not opened:
        raise NotOpened(f"This passphrase opens none of {_names(keys)}.")
    for text in opened:
        try:
            yield pyrage.x25519.Identity.from_str(text)
        except pyrage.IdentityError as error:
            raise NotOpened(f"{_names(keys)}: there is no key for backups in it.") from error


def _secret(path: Path, passphrase: str) -> str:
    """The secret key in a file; empty where the passphrase does not open it."""
    body = _read_key(path)
    if _PLAIN not in body:
        try:
            body = pyrage.passphrase.decrypt(body, _typed(passphrase))
        except pyrage.DecryptError:
            return ""
    return next(
        (line for line in body.decode("ascii", "replace").splitlines() if line.startswith(_PLAIN.decode())), "-"
    )


def _typed(passphrase: str) -> str:
    """An accented letter is one character or two, by the keyboard it comes from (Unicode Standard Annex 15)."""
    return unicodedata.normalize("NFC", passphrase)


def _read_key(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_KEY)
    except OSError as error:
        raise NotOpened(f"{path} cannot be read: {error.strerror}.") from error


def _names(keys: list[Path]) -> str:
    return ", ".join(path.name for path in keys)


@contextmanager
def private(target: Path) -> Iterator[BinaryIO]:
    """A new file that this account alone may read."""
    target.unlink(missing_ok=True)
    with os.fdopen(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | BINARY, 0o600), "wb") as file:
        yield file


def write_whole(target: Path, body: bytes) -> None:
    """Write a small file, all of it or nothing, readable by this account alone.

    Raises:
        OSError: it cannot be written; what was there stays.
    """
    part = target.with_name(f"{target.name}.part")
    try:
        with private(part) as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
        sync_folder(target.parent)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


class _Digesting:
    """A file that digests what is written into it."""

    def __init__(self, file: BinaryIO) -> None:
        self.file, self.digest = file, hashlib.sha256()

    def write(self, body: bytes) -> int:
        self.digest.update(body)
        return self.file.write(body)

    def flush(self) -> None:
        self.file.flush()
