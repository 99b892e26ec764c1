"""Pictures as they are kept: decoded and written anew, turned upright, without the place they were taken."""

from __future__ import annotations

import io
import os
import warnings
from typing import IO

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

LARGEST_FILE = 12 * 1024 * 1024
MOST_PIXELS = 50_000_000
LONGEST_SIDE = 1600
QUALITY = 82
FORMATS = ("JPEG", "PNG", "WEBP")


class BadPicture(Exception):
    """The file is not a picture that can be kept; the sentence says why."""


def encoded(file: IO[bytes]) -> tuple[bytes, int, int]:
    """The picture as a new JPEG: upright, at most 1600 pixels on its long side, nothing but pixels inside.

    Raises:
        BadPicture: too large, too many pixels, no JPEG, PNG or WebP, or damaged.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    body = file.read(LARGEST_FILE + 1)
    if len(body) > LARGEST_FILE:
        raise BadPicture("The picture is larger than 12 MB. Take it with a lower resolution.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # damage in what is thrown away anyway
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(body), formats=FORMATS) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    raise BadPicture("The picture has more than 50 million pixels. Take it with a lower resolution.")
                upright = ImageOps.exif_transpose(picture).convert("RGB")
    except BadPicture:
        raise
    except (UnidentifiedImageError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise BadPicture("This is not a picture that can be kept. Use a JPEG, PNG or WebP file.") from error
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise BadPicture("The picture is damaged. Take it again.") from error
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    out = io.BytesIO()
    upright.save(out, "JPEG", quality=QUALITY)
    return out.getvalue(), upright.width, upright.height


def to_disk(name: str, body: bytes) -> None:
    """Written through to the disk, so that a row never names a picture that a power cut took."""
    default_storage.save(name, ContentFile(body))
    with default_storage.open(name, "rb+") as file:
        os.fsync(file.fileno())
