"""Pictures as they come from strangers: only pixels are kept, under a name of ours, and nothing of where they were."""

from __future__ import annotations

import io
import re
import uuid
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from PIL import Image

from shopkb.accounts.models import User
from shopkb.jobs.models import Photo
from shopkb.procedures.models import Procedure
from tests import builders
from tests.fuzz.targets import PICTURES, TAILS

pytestmark = pytest.mark.one_database

NAMES = [
    "../../evil.jpg",
    "..\\evil.jpg",
    "/etc/passwd",
    "a.jpg.exe",
    "<img src=x onerror=a>.jpg",
    "a\u202egpj.exe",
    "x" * 300,
]
JPEG, PNG, WEBP, PLACED = PICTURES[:4]


@pytest.fixture
def place(tmp_path: Path, settings: Any) -> Path:
    settings.MEDIA_ROOT = tmp_path / "photos"
    return settings.MEDIA_ROOT


@pytest.fixture
def client(junior: User, horn: Procedure, place: Path) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(junior)
    return client


def send(client: Client, job: int, body: bytes, name: str = "a.jpg", kind: str = "image/jpeg") -> HttpResponse:
    file = SimpleUploadedFile(name, body, content_type=kind)
    return client.post(reverse("jobs:add-photo", args=[job]), {"client_id": str(uuid.uuid4()), "picture": file})


@pytest.mark.parametrize("name", NAMES)
def test_the_name_it_came_with_is_not_used(client: Client, junior: User, place: Path, name: str) -> None:
    job = builders.take_in(junior)
    assert send(client, job.pk, JPEG, name).status_code in (302, 422)  # a name too long for any disk is refused
    kept = [path.relative_to(place).as_posix() for path in place.rglob("*") if path.is_file()]
    assert kept == [photo.name for photo in Photo.objects.all()]
    assert all(re.fullmatch(r"[0-9a-f]{32}\.jpg", each) for each in kept)
    assert len(kept) == 1 or len(name) > 255


def test_where_it_was_taken_is_gone_and_it_is_upright(client: Client, junior: User, place: Path) -> None:
    assert b"Saltmarsh" in PLACED
    job = builders.take_in(junior)
    assert send(client, job.pk, PLACED).status_code == 302
    photo = Photo.objects.get()
    answer = client.get(reverse("jobs:photo", args=[photo.name]))
    body = b"".join(answer.streaming_content)  # type: ignore[attr-defined]
    assert b"Saltmarsh" not in body
    with Image.open(io.BytesIO(body)) as kept:
        assert (kept.format, kept.size, dict(kept.getexif())) == ("JPEG", (30, 40), {})
    assert (answer["Content-Type"], answer["X-Content-Type-Options"]) == ("image/jpeg", "nosniff")


@pytest.mark.parametrize("tail", TAILS[:3], ids=["script", "archive", "program"])
def test_what_hides_behind_the_pixels_is_gone(client: Client, junior: User, place: Path, tail: bytes) -> None:
    job = builders.take_in(junior)
    for body in (JPEG + tail, PNG + tail, WEBP + tail):
        assert send(client, job.pk, body).status_code == 302
    assert all(tail not in path.read_bytes() for path in place.rglob("*.jpg"))


@pytest.mark.parametrize("number", range(4, len(PICTURES)))
def test_what_is_no_picture_of_ours_is_refused_in_words(client: Client, junior: User, place: Path, number: int) -> None:
    job = builders.take_in(junior)
    response = send(client, job.pk, PICTURES[number])
    assert response.status_code == 422
    assert Photo.objects.count() == 0
    assert not place.exists() or list(place.rglob("*")) == []


def test_one_over_the_limit_is_refused(client: Client, junior: User, place: Path) -> None:
    response = send(client, builders.take_in(junior).pk, JPEG + b"\0" * (12 * 1024 * 1024))
    assert response.status_code == 422
    assert "larger than 12 MB" in response.content.decode()


def test_a_form_where_an_item_of_an_outbox_belongs_is_refused(client: Client, junior: User, horn: Procedure) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    response = client.post(
        reverse("jobs:take-item", args=[run.pk]), {"client_id": str(uuid.uuid4()), "file": io.BytesIO(b"x")}
    )
    assert response.status_code == 422
    sent = f'{{"client_id": "{uuid.uuid4()}", "kind": "danger", "shown_seconds": "soon", "step": "press"}}'
    response = client.post(reverse("jobs:take-item", args=[run.pk]), sent, content_type="application/json")
    assert response.status_code == 422
