"""Pictures as they are kept: decoded and written anew, turned upright, without the place they were taken."""

from __future__ import annotations

import io
import os
import threading
import warnings
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, TypeVar

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from shopkb.web.durable import sync_folder

if TYPE_CHECKING:
    from PIL import Image

T = TypeVar("T")

LARGEST_FILE = 12 * 1024 * 1024
MOST_PIXELS = 50_000_000
MOST_SIDE = 12_000
"""A side of some million pixels takes a gigabyte to turn upright, however narrow the picture is."""

LONGEST_SIDE = 1600
QUALITY = 82
FORMATS = ("JPEG", "PNG", "WEBP")

AT_ONCE = 4
"""Pictures that are decoded or wait for it; a server has eight threads, and others want to be answered too."""

_waiting = threading.BoundedSemaphore(AT_ONCE)
_decoding = threading.Lock()


class BadPicture(Exception):
    """The file is not a picture that can be kept; the sentence says why."""


class TooManyPictures(BadPicture):
    """Others are being decoded; the same picture can be kept in a moment."""


def encoded(file: IO[bytes]) -> tuple[bytes, int, int]:
    """The picture as a new JPEG: upright, in sRGB, at most 1600 pixels on its long side, nothing but pixels inside.

    Raises:
        BadPicture, TooManyPictures: as :func:`decoded`.
    """

    def as_jpeg(upright: Image.Image) -> tuple[bytes, int, int]:
        out = io.BytesIO()
        upright.save(out, "JPEG", quality=QUALITY)
        return out.getvalue(), upright.width, upright.height

    return decoded(file, as_jpeg)


def decoded(file: IO[bytes], use: Callable[[Image.Image], T]) -> T:
    """What ``use`` makes of the picture: upright, in sRGB, at most 1600 pixels on its long side.

    One is decoded at a time, so that pictures take one core and the memory of one; a few wait for it. Of a photograph
    with further pictures inside (a preview, a gain map) the first is taken; an animation is refused.

    Raises:
        BadPicture: too large, too many pixels, no JPEG, PNG or WebP, animated, or damaged.
        TooManyPictures: enough others are waiting.
    """
    body = file.read(LARGEST_FILE + 1)
    if len(body) > LARGEST_FILE:
        raise BadPicture("The picture is larger than 12 MB. Take it with a lower resolution.")
    if not _waiting.acquire(blocking=False):
        raise TooManyPictures("Other pictures are being stored just now. Send this one again in a moment.")
    try:
        with _decoding:
            return use(_upright(body))
    finally:
        _waiting.release()


def _upright(body: bytes) -> Image.Image:
    from PIL import Image, ImageFile, ImageOps, UnidentifiedImageError

    ImageFile.LOAD_TRUNCATED_IMAGES = False  # a library that sets PDFs switches it on for the whole process
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # damage in what is thrown away anyway
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(body), formats=FORMATS) as picture:
                _refuse_by_head(picture)
                picture.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))  # a JPEG is decoded no larger than it is kept
                profile = picture.info.get("icc_profile")
                upright = ImageOps.exif_transpose(picture)
                upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
                kept = _in_srgb(upright, profile)
    except BadPicture:
        raise
    except (UnidentifiedImageError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise BadPicture("This is not a picture that can be kept. Use a JPEG, PNG or WebP file.") from error
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise BadPicture("The picture is damaged. Take it again.") from error
    kept.info.clear()  # a comment would be written again
    return kept


def _refuse_by_head(picture: Image.Image) -> None:
    """By what its head says, before anything is decoded."""
    if max(picture.size) > MOST_SIDE:
        raise BadPicture(f"A side of the picture is longer than {MOST_SIDE:,} pixels. Take it with a lower resolution.")
    if picture.width * picture.height > MOST_PIXELS:
        raise BadPicture("The picture has more than 50 million pixels. Take it with a lower resolution.")
    if picture.format != "MPO" and getattr(picture, "is_animated", False):
        raise BadPicture("This picture moves. Use a still one.")


def _in_srgb(picture: Image.Image, profile: bytes | None) -> Image.Image:
    """Colours as every screen shows them; a profile that cannot be used is left out of account."""
    from PIL import ImageCms

    if profile and picture.mode == "RGB":
        with suppress(ImageCms.PyCMSError, OSError):
            own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            turned = ImageCms.profileToProfile(picture, own, ImageCms.createProfile("sRGB"), outputMode="RGB")
            if turned is not None:
                return turned
    return picture.convert("RGB")


def to_disk(name: str, body: bytes) -> None:
    """Written through to the disk, so that a row never names a picture that a power cut took."""
    default_storage.save(name, ContentFile(body))
    with default_storage.open(name, "rb+") as file:
        os.fsync(file.fileno())
    sync_folder(Path(default_storage.path(name)).parent)
