"""Arrows and letters on a picture: in its pixels where they were put, changed later from the picture without them."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.test import Client
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from shopkb.accounts.models import User
from shopkb.core.flow import editing
from shopkb.procedures import publishing
from shopkb.procedures.instruction_pictures import as_markdown, keep_picture, shown_pictures
from shopkb.procedures.models import Picture, Procedure, Revision
from shopkb.procedures.picture_marks import Mark, drawn, marks_of
from shopkb.procedures.storing import flow_of
from tests.conftest import NOW

GREY = (128, 128, 128)
ARROW = Mark("A", 80.0, 50.0, 20.0, 50.0)


def plain(width: int = 400, height: int = 200) -> io.BytesIO:
    held = io.BytesIO()
    Image.new("RGB", (width, height), GREY).save(held, "PNG")
    held.seek(0)
    return held


def opened(body: bytes) -> Image.Image:
    return Image.open(io.BytesIO(body)).convert("RGB")


def test_an_arrow_is_black_from_the_letter_to_its_tip_and_white_around() -> None:
    picture = opened(drawn(plain(), [ARROW]))
    assert picture.getpixel((200, 100)) == (0, 0, 0), "the shaft"
    assert picture.getpixel((316, 100)) == (0, 0, 0), "just before the tip at 320"
    assert picture.getpixel((200, 104)) == (255, 255, 255), "its edge"
    assert picture.getpixel((330, 100)) == GREY, "behind the tip"
    assert picture.getpixel((80, 88)) == (255, 255, 255), "the disc of the letter"


def test_a_letter_alone_stands_where_it_was_put() -> None:
    picture = opened(drawn(plain(), [Mark("B", 50.0, 50.0)]))
    changed = [(x, y) for x in range(400) for y in range(200) if picture.getpixel((x, y)) != GREY]
    across, down = [x for x, _ in changed], [y for _, y in changed]
    assert abs((min(across) + max(across)) / 2 - 200) <= 1 and abs((min(down) + max(down)) / 2 - 100) <= 1


places = st.floats(0, 100)


@given(st.lists(st.builds(Mark, st.text("ABC1", max_size=2), places, places, places | st.none(), places | st.none())))
def test_any_marks_leave_a_picture_of_the_same_size(marks: list[Mark]) -> None:
    assert opened(drawn(plain(60, 30), marks)).size == (60, 30)


@pytest.fixture(autouse=True)
def folder(settings: Any, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


@pytest.fixture
def picture(senior: User) -> Picture:
    return keep_picture(plain(), by=senior, at=NOW)


@pytest.fixture
def draft(horn: Procedure, senior: User, picture: Picture) -> Revision:
    revision = publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    shown = f"Press three times.\n\n{as_markdown(picture, 'The button')}"
    flow = editing.change_step(flow_of(revision), "press", {"instruction": shown})
    return publishing.save_draft(revision, flow, by=senior, based_on=revision.checksum)


def sent(client: Client, draft: Revision, name: str, *rows: dict[str, str], step: str = "press") -> Any:
    fields = {f"marks-{at}-{key}": value for at, row in enumerate(rows) for key, value in row.items()}
    known = {"marks-TOTAL_FORMS": "12", "marks-INITIAL_FORMS": "0", "step": step}
    address = reverse("procedures:desk-picture-marks", args=[draft.procedure.key, draft.number, name])
    return client.post(address, {**known, **fields})


A_ROW = {"letter": "A", "x": "80", "y": "50", "from_x": "20", "from_y": "50"}


def shown(draft: Revision) -> Picture:
    draft.refresh_from_db()
    ((name, words),) = shown_pictures(flow_of(draft).step_by_key["press"].instruction)
    assert words == "The button"
    return Picture.objects.get(name=name)


def test_the_step_shows_the_drawn_picture_and_its_marks_can_be_changed_and_taken_away(
    client: Client, draft: Revision, picture: Picture, senior: User
) -> None:
    client.force_login(senior)
    assert sent(client, draft, picture.name, A_ROW).status_code == 302
    first = shown(draft)
    assert (first.of, marks_of(first)) == (picture, [ARROW])
    with default_storage.open(first.name) as file, Image.open(file) as body:
        assert body.convert("L").getpixel((200, 100)) < 40
    page = client.get(
        reverse("procedures:desk-picture-marks", args=["horn-silent", draft.number, first.name]) + "?step=press"
    )
    assert f'src="/procedures/pictures/{picture.name}"' in page.content.decode(), "drawn upon without its marks"
    assert 'value="80.0"' in page.content.decode()
    assert sent(client, draft, first.name, {"letter": "B", "x": "10", "y": "10"}).status_code == 302
    second = shown(draft)
    assert (second.of, [mark.letter for mark in marks_of(second)]) == (picture, ["B"])
    assert sent(client, draft, second.name).status_code == 302
    assert shown(draft) == picture


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"letter": "A", "x": "80"}, "from the left and from the top"),
        ({"letter": "A"}, "Say where it points to, or empty the row."),
        ({"x": "5", "y": "5"}, "Give a letter, or where the arrow begins."),
        ({"letter": "A", "x": "101", "y": "5"}, "less than or equal to 100"),
        ({"letter": "A", "x": "nan", "y": "5"}, "Enter a number"),
    ],
)
def test_a_mark_that_cannot_be_drawn_is_refused_in_words_and_what_was_typed_stays(
    client: Client, draft: Revision, picture: Picture, senior: User, row: dict[str, str], said: str
) -> None:
    client.force_login(senior)
    before = draft.checksum
    answer = sent(client, draft, picture.name, row)
    assert answer.status_code == 422 and said in answer.content.decode()
    for value in row.values():
        assert f'value="{value}"' in answer.content.decode()
    draft.refresh_from_db()
    assert draft.checksum == before


def test_a_picture_the_step_does_not_show_and_a_published_revision_are_not_drawn_on(
    client: Client, draft: Revision, picture: Picture, senior: User, second: User
) -> None:
    client.force_login(senior)
    other = keep_picture(plain(10, 10), by=senior, at=NOW)
    assert sent(client, draft, other.name, A_ROW).status_code == 404
    assert sent(client, draft, picture.name, A_ROW, step="none").status_code == 404
    publishing.publish(draft, by=second, at=NOW)
    answer = sent(client, draft, picture.name, A_ROW)
    assert "can no longer be changed" in answer.content.decode()
    assert shown(draft) == picture
