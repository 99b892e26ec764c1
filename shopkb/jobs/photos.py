"""The one door for pictures: always decoded and written anew, turned upright, without the place they were taken."""

from __future__ import annotations

import io
import os
import secrets
import warnings
from dataclasses import dataclass
from datetime import datetime
from typing import IO
from uuid import UUID

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Sum

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Job, Photo, Repair, Result

LARGEST_FILE = 12 * 1024 * 1024
MOST_PIXELS = 50_000_000
LONGEST_SIDE = 1600
QUALITY = 82
FORMATS = ("JPEG", "PNG", "WEBP")
JOB_QUOTA = 60 * 1024 * 1024
"""Bytes of pictures one job may hold."""


class BadPhoto(NotPossible):
    """The file is not a picture that can be kept."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A picture and what it belongs to."""

    file: IO[bytes]
    client_id: UUID
    words: str = ""
    result: Result | None = None
    repair: Repair | None = None


def keep_photo(job: Job, taken: Taken, *, by: User, at: datetime) -> Photo:
    """Store a picture. The same client id twice is one picture.

    Raises:
        BadPhoto: too large, too many pixels, no JPEG, PNG or WebP, or damaged.
        NotPossible: the job holds as many pictures as it may.
    """
    require(by, Right.WORK)
    before = Photo.objects.filter(client_id=taken.client_id).first()
    if before is not None:
        return before
    body, width, height = encoded(taken.file)
    used = job.photos.aggregate(used=Sum("size"))["used"] or 0
    if used + len(body) > JOB_QUOTA:
        raise NotPossible("This job holds as many pictures as it may. Leave out what the write-up does not need.")
    name = f"{secrets.token_hex(16)}.jpg"
    try:
        _to_disk(name, body)
        with transaction.atomic():
            return Photo.objects.create(
                job=job,
                result=taken.result,
                repair=taken.repair,
                name=name,
                words=taken.words.strip()[:200],
                width=width,
                height=height,
                size=len(body),
                who=by,
                at=at,
                client_id=taken.client_id,
            )
    except Exception:
        default_storage.delete(name)
        raise


def _to_disk(name: str, body: bytes) -> None:
    """Written through to the disk, so that a row never names a picture that a power cut took."""
    default_storage.save(name, ContentFile(body))
    with default_storage.open(name, "rb+") as file:
        os.fsync(file.fileno())


def encoded(file: IO[bytes]) -> tuple[bytes, int, int]:
    """The picture as a new JPEG: upright, at most 1600 pixels on its long side, nothing but pixels inside.

    Raises:
        BadPhoto: see :func:`keep_photo`.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    body = file.read(LARGEST_FILE + 1)
    if len(body) > LARGEST_FILE:
        raise BadPhoto("The picture is larger than 12 MB. Take it with a lower resolution.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(body), formats=FORMATS) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    raise BadPhoto("The picture has more than 50 million pixels. Take it with a lower resolution.")
                upright = ImageOps.exif_transpose(picture).convert("RGB")
    except BadPhoto:
        raise
    except (UnidentifiedImageError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise BadPhoto("This is not a picture that can be kept. Use a JPEG, PNG or WebP file.") from error
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise BadPhoto("The picture is damaged. Take it again.") from error
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    out = io.BytesIO()
    upright.save(out, "JPEG", quality=QUALITY)
    return out.getvalue(), upright.width, upright.height
