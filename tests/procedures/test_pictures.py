"""Pictures in instructions: kept once, shown by Markdown, never lost by a revision that shows them."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image

from shopkb.accounts.models import User
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.procedures import publishing
from shopkb.procedures.instruction_pictures import as_markdown, keep_picture
from shopkb.procedures.models import Picture, Procedure, Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import flow_of
from shopkb.web.markdown import shown_markdown
from tests.conftest import NOW


@pytest.fixture(autouse=True)
def folder(settings: Any, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


def drawn(shade: int = 90, kind: str = "PNG") -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (1800, 60), (shade, 120, 30)).save(held, kind)
    return held.getvalue()


@pytest.fixture
def draft(horn: Procedure, senior: User) -> Revision:
    return publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)


def sent(client: Client, draft: Revision, body: bytes, words: str = "Plug [left], seen from behind") -> None:
    given = {"step": "press", "words": words, "picture": SimpleUploadedFile("p.png", body)}
    answer = client.post(reverse("procedures:desk-picture", args=[draft.procedure.key, draft.number]), given)
    assert answer.status_code == 302


def test_a_picture_put_in_at_the_desk_is_shown_and_survives_the_file(
    client: Client, draft: Revision, senior: User
) -> None:
    client.force_login(senior)
    sent(client, draft, drawn())
    picture = Picture.objects.get()
    assert (picture.width, picture.who) == (1600, senior)
    draft.refresh_from_db()
    flow = flow_of(draft)
    text = flow.step_by_key["press"].instruction
    assert text.startswith("Press three times.")
    assert f"![Plug (left), seen from behind](/procedures/pictures/{picture.name})" in text
    assert f'src="/procedures/pictures/{picture.name}"' in shown_markdown(text)
    assert read_flow(write_flow(flow)).flow == flow
    answer = client.get(f"/procedures/pictures/{picture.name}")
    assert answer["Content-Type"] == "image/jpeg"
    with Image.open(io.BytesIO(b"".join(answer.streaming_content))) as kept:
        assert (kept.format, kept.width) == ("JPEG", 1600)


def test_the_same_picture_is_kept_once_and_another_apart(senior: User, folder: Path) -> None:
    names = {keep_picture(io.BytesIO(drawn(shade)), by=senior, at=NOW).name for shade in (90, 90, 200)}
    assert len(names) == Picture.objects.count() == len(list(folder.iterdir())) == 2


@pytest.mark.parametrize(("body", "said"), [(b"no picture", "JPEG, PNG or WebP"), (drawn()[:200], "damaged")])
def test_what_is_no_picture_is_refused_and_changes_nothing(
    client: Client, draft: Revision, senior: User, body: bytes, said: str
) -> None:
    with pytest.raises(ActionRefused, match=said):
        keep_picture(io.BytesIO(body), by=senior, at=NOW)
    client.force_login(senior)
    before = draft.checksum
    sent(client, draft, body)
    draft.refresh_from_db()
    assert (draft.checksum, Picture.objects.count()) == (before, 0)


def test_words_are_there_even_when_none_were_given() -> None:
    assert as_markdown(Picture(name="step-1.jpg"), " ") == "![Picture of this step](/procedures/pictures/step-1.jpg)"


def test_pictures_from_elsewhere_stay_words() -> None:
    assert "<img" not in shown_markdown("![x](https://example.org/a.jpg) ![y](/procedures/pictures/../a.jpg)")


def test_a_pasted_picture_is_kept_and_answered_as_text_for_the_place_of_the_cursor(
    client: Client, draft: Revision, senior: User
) -> None:
    client.force_login(senior)
    address = reverse("procedures:desk-picture", args=[draft.procedure.key, draft.number])
    before = flow_of(draft)
    given = {"step": "press", "words": "What it shows", "picture": SimpleUploadedFile("pasted.png", drawn())}
    answer = client.post(address, given, headers={"HX-Request": "true"})
    assert answer.content.decode() == as_markdown(Picture.objects.get(), "What it shows")
    draft.refresh_from_db()
    assert flow_of(draft) == before
    given["picture"] = SimpleUploadedFile("pasted.png", b"no picture")
    refused = client.post(address, given, headers={"HX-Request": "true"})
    assert (refused.status_code, Picture.objects.count()) == (422, 1)
