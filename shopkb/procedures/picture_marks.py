"""Arrows and letters on a picture of an instruction: drawn into its pixels, so that paper and tablet show them too."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import IO, TYPE_CHECKING

from django.core.files.storage import default_storage

from shopkb.accounts.models import User
from shopkb.core.flow import editing
from shopkb.core.flow.model import Flow
from shopkb.procedures.instruction_pictures import keep_picture
from shopkb.procedures.models import Picture
from shopkb.procedures.publishing import ActionRefused
from shopkb.web.markdown import STEP_PICTURES

if TYPE_CHECKING:
    from PIL import Image, ImageDraw

MOST_MARKS = 12
INK, EDGE = "#000000", "#FFFFFF"
LINE, HEAD, LETTER = 0.008, 0.04, 0.045
"""Parts of the picture's longer side: width of an arrow, length of its head, height of a letter."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A letter, an arrow, or both. ``x`` and ``y`` are where it points, in per cent from the left and from the top;
    ``from_x`` and ``from_y`` are where the arrow begins and the letter stands, ``None`` where there is no arrow."""

    letter: str
    x: float
    y: float
    from_x: float | None = None
    from_y: float | None = None


def marks_of(picture: Picture) -> list[Mark]:
    """The marks that were drawn on a picture."""
    return [Mark(**held) for held in picture.marks]


def keep_marked(picture: Picture, marks: Sequence[Mark], *, by: User, at: datetime) -> Picture:
    """The picture without its earlier marks and with these; the one without marks where there are none.

    Raises:
        ActionRefused: its file is missing, or this person may not write procedures.
    """
    plain = picture.of or picture
    if not marks:
        return plain
    if not default_storage.exists(plain.name):
        raise ActionRefused("The file of this picture is missing. Put the picture in again.")
    with default_storage.open(plain.name) as file:
        body = drawn(file, marks)
    kept = keep_picture(io.BytesIO(body), by=by, at=at)
    if not kept.marks:
        kept.of, kept.marks = plain, [asdict(mark) for mark in marks]
        kept.save(update_fields=["of", "marks"])
    return kept


def exchanged(flow: Flow, step: str, old: Picture, new: Picture) -> Flow:
    """The procedure with ``new`` wherever the instruction of this step shows ``old``."""
    text = flow.step_by_key[step].instruction
    changed = text.replace(f"({STEP_PICTURES}{old.name})", f"({STEP_PICTURES}{new.name})")
    return flow if changed == text else editing.change_step(flow, step, {"instruction": changed})


def drawn(file: IO[bytes], marks: Sequence[Mark]) -> bytes:
    """The picture as a PNG with its marks: black with a white edge, so that they show on light and on dark."""
    from PIL import Image, ImageDraw

    with Image.open(file) as opened:
        picture = opened.convert("RGB")
    pen = ImageDraw.Draw(picture)
    for mark in marks:
        _draw(pen, picture, mark)
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


def _draw(pen: ImageDraw.ImageDraw, picture: Image.Image, mark: Mark) -> None:
    side = max(picture.size)
    tip = (mark.x / 100 * picture.width, mark.y / 100 * picture.height)
    stand = tip
    if mark.from_x is not None and mark.from_y is not None:
        stand = (mark.from_x / 100 * picture.width, mark.from_y / 100 * picture.height)
        for colour, more in ((EDGE, 2 * LINE * side), (INK, 0.0)):
            _arrow(pen, stand, tip, side, colour, more)
    if mark.letter:
        _letter(pen, stand, mark.letter, LETTER * side)


def _arrow(
    pen: ImageDraw.ImageDraw,
    tail: tuple[float, float],
    tip: tuple[float, float],
    side: float,
    colour: str,
    more: float,
) -> None:
    """An arrow, ``more`` pixels wider than it is drawn in black."""
    length = math.dist(tail, tip)
    if length == 0:
        return
    along = ((tip[0] - tail[0]) / length, (tip[1] - tail[1]) / length)
    head, half = HEAD * side + more, HEAD * side / 2.6 + more * 0.7
    point = (tip[0] + along[0] * more * 0.6, tip[1] + along[1] * more * 0.6)
    back = (point[0] - along[0] * head, point[1] - along[1] * head)
    pen.line([tail, back], fill=colour, width=round(LINE * side + more))
    wings = [(back[0] - along[1] * half * way, back[1] + along[0] * half * way) for way in (1, -1)]
    pen.polygon([point, *wings], fill=colour)


def _letter(pen: ImageDraw.ImageDraw, centre: tuple[float, float], letter: str, height: float) -> None:
    """A letter in a white disc with a black ring."""
    from PIL import ImageFont

    radius = height * 0.85
    box = (centre[0] - radius, centre[1] - radius, centre[0] + radius, centre[1] + radius)
    pen.ellipse(box, fill=EDGE, outline=INK, width=max(2, round(height / 9)))
    pen.text(centre, letter, fill=INK, font=ImageFont.load_default(height), anchor="mm")
