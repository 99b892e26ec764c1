"""The one door for pictures of jobs; how they are written stands in :mod:`shopkb.web.images`."""

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
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.models import Job, Photo, Repair, Result
from shopkb.web.images import BadPicture, TooManyPictures, encoded, to_disk

JOB_QUOTA = 60 * 1024 * 1024
"""Bytes of pictures one job may hold."""


class BadPhoto(NotPossible):
    """The file is not a picture that can be kept."""


class NotNow(NotPossible):
    """The same picture can be kept in a moment."""


@dataclass(frozen=True, slots=True)
class NewPhoto:
    """A picture and what it belongs to."""

    file: IO[bytes]
    client_id: UUID
    words: str = ""
    result: Result | None = None
    repair: Repair | None = None


def keep_photo(job: Job, new_photo: NewPhoto, *, by: User, at: datetime) -> Photo:
    """Store a picture. The same client id twice, also at once, is one picture.

    Raises:
        BadPhoto: too large, too many pixels, no JPEG, PNG or WebP, or damaged.
        NotNow: enough others are being decoded.
        NotPossible: the job holds as many pictures as it may.
        IdempotencyConflict: the client id was used for a picture of another job.
    """
    require(by, Right.WORK)
    before = _kept_before(job, new_photo)
    if before is not None:
        return before
    try:
        body, width, height = encoded(new_photo.file)
    except TooManyPictures as error:
        raise NotNow(str(error)) from error
    except BadPicture as error:
        raise BadPhoto(str(error)) from error
    name = f"{secrets.token_hex(16)}.jpg"
    try:
        to_disk(name, body)
        row = Photo(name=name, width=width, height=height, size=len(body), who=by, at=at)
        stored = _stored(job, new_photo, row)
    except Exception:
        default_storage.delete(name)
        raise
    if stored.name != name:
        default_storage.delete(name)
    return stored


@transaction.atomic
def _stored(job: Job, new_photo: NewPhoto, row: Photo) -> Photo:
    """The row, or the one that the same sending has stored in the meantime."""
    locked = Job.objects.select_for_update().get(pk=job.pk)
    before = _kept_before(locked, new_photo)
    if before is not None:
        return before
    used = locked.photos.aggregate(used=Sum("size"))["used"] or 0
    if used + row.size > JOB_QUOTA:
        raise NotPossible("This job holds as many pictures as it may. Leave out what the write-up does not need.")
    row.job, row.result, row.repair = locked, new_photo.result, new_photo.repair
    row.words, row.client_id = new_photo.words.strip(), new_photo.client_id
    row.save()
    return row


def _kept_before(job: Job, new_photo: NewPhoto) -> Photo | None:
    refusal = "This picture was sent before for another job. Take it again."
    return stored_before(Photo.objects.all(), new_photo.client_id, lambda row: row.job_id == job.pk, refusal)
