"""The one door for pictures of jobs; how they are written stands in :mod:`shopkb.web.pictures`."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from typing import IO
from uuid import UUID

from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Sum

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Job, Photo, Repair, Result
from shopkb.web.pictures import BadPicture, encoded, to_disk

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
    try:
        body, width, height = encoded(taken.file)
    except BadPicture as error:
        raise BadPhoto(str(error)) from error
    used = job.photos.aggregate(used=Sum("size"))["used"] or 0
    if used + len(body) > JOB_QUOTA:
        raise NotPossible("This job holds as many pictures as it may. Leave out what the write-up does not need.")
    name = f"{secrets.token_hex(16)}.jpg"
    try:
        to_disk(name, body)
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
