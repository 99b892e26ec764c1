"""Pictures in instructions: kept once under a name made of their content, shown by Markdown, part of every backup."""

from __future__ import annotations

import hashlib
import re
from datetime import datetime
from typing import IO

from django.core.files.storage import default_storage
from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.procedures.models import Picture
from shopkb.procedures.publishing import ActionRefused
from shopkb.web.images import BadPicture, encoded, to_disk
from shopkb.web.markdown import STEP_PICTURES

MOST_WORDS = 120
_SHOWN = re.compile(rf"!\[([^\]]*)\]\({re.escape(STEP_PICTURES)}([^)\s]+)")


def shown_pictures(instruction: str) -> list[tuple[str, str]]:
    """Name and words of each picture that an instruction shows, in order."""
    return [(name, words) for words, name in _SHOWN.findall(instruction)]


def keep_picture(file: IO[bytes], *, by: User, at: datetime) -> Picture:
    """Store a picture. The same one twice is one picture.

    Raises:
        ActionRefused: it is too large, no JPEG, PNG or WebP, or damaged.
    """
    require(by, Right.WRITE)
    try:
        body, width, height = encoded(file)
    except BadPicture as error:
        raise ActionRefused(str(error)) from error
    name = f"step-{hashlib.sha256(body).hexdigest()[:40]}.jpg"
    if not default_storage.exists(name):
        to_disk(name, body)
    with transaction.atomic():
        given = {"width": width, "height": height, "size": len(body), "who": by, "at": at}
        return Picture.objects.get_or_create(name=name, defaults=given)[0]


def as_markdown(picture: Picture, words: str) -> str:
    """How an instruction shows it: ``![words](address)``. Square brackets would end the words."""
    plain = " ".join(words.replace("[", "(").replace("]", ")").split())[:MOST_WORDS]
    return f"![{plain or 'Picture of this step'}]({STEP_PICTURES}{picture.name})"
