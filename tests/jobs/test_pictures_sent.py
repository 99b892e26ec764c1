"""Pictures that a device kept: each once, with the answer they were taken for, refused in words."""

from __future__ import annotations

import io
import threading
import time
import uuid
from pathlib import Path

import pytest
from django.core.files.storage import default_storage
from django.http import HttpResponse
from django.test import Client
from PIL import Image

from shopkb.accounts.models import User
from shopkb.jobs.models import Photo, Run
from shopkb.web import images
from shopkb.web.images import MOST_PIXELS
from tests import builders
from tests.builders import TO_HORN, follow, signed_in


@pytest.fixture(autouse=True)
def album(tmp_path: Path, settings: object) -> Path:
    settings.MEDIA_ROOT = tmp_path  # type: ignore[attr-defined]
    return tmp_path


def picture() -> io.BytesIO:
    out = io.BytesIO()
    Image.new("RGB", (60, 40), (200, 60, 20)).save(out, "JPEG")
    out.seek(0)
    return out


def sent(client: Client, job: int, **fields: object) -> HttpResponse:
    given = {"client_id": uuid.uuid4(), "picture": picture(), "words": "Burnt pin", **fields}
    return client.post(f"/jobs/{job}/outbox/photo/", {name: said for name, said in given.items() if said is not None})


def test_a_picture_goes_with_the_answer_it_was_taken_for(run: Run, junior: User) -> None:
    first, _last = follow(run, TO_HORN[:2], junior)
    client, once = signed_in(junior), uuid.uuid4()
    for _time in range(3):
        assert sent(client, run.job_id, client_id=once, answer=first.client_id).json() == {
            "stored": True, "counts": True, "why": "",
        }  # fmt: skip
    kept = Photo.objects.get()
    assert (kept.result, kept.words, kept.who) == (first, "Burnt pin", junior)
    assert default_storage.listdir("")[1] == [kept.name]


def test_a_picture_of_more_than_50_million_pixels_is_refused_in_words(run: Run, junior: User) -> None:
    """Pillow itself opens it: it only warns from 89 million on."""
    assert MOST_PIXELS == 50_000_000
    vast = io.BytesIO()
    Image.new("1", (10_000, 5_001)).save(vast, "PNG")
    vast.seek(0)
    answer = sent(signed_in(junior), run.job_id, picture=vast)
    assert answer.status_code == 422
    assert answer.json()["error"].startswith("The picture has more than 50 million pixels.")
    assert not Photo.objects.exists()


def test_a_picture_that_finds_others_waiting_is_sent_again_later(
    run: Run, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(images, "_waiting", threading.BoundedSemaphore(1))
    client, once = signed_in(junior), uuid.uuid4()
    with images._waiting:
        answer = sent(client, run.job_id, client_id=once)
    assert answer.status_code == 503
    assert answer.json()["error"] == "Other pictures are being stored just now. Send this one again in a moment."
    assert sent(client, run.job_id, client_id=once).status_code == 200


def test_a_picture_for_an_answer_that_was_never_taken_stays_with_the_job(run: Run, junior: User) -> None:
    other = follow(builders.start(builders.take_in(junior), run.revision.procedure, junior), TO_HORN[:1], junior)[0]
    for answer in (uuid.uuid4(), "", "x", other.client_id):
        assert sent(signed_in(junior), run.job_id, answer=answer).status_code == 200
    assert list(Photo.objects.values_list("job", "result")) == [(run.job_id, None)] * 4


def test_what_is_no_picture_or_has_no_number_is_refused_in_words(run: Run, junior: User) -> None:
    client = signed_in(junior)
    for wrong, words in (
        ({"picture": io.BytesIO(b"<svg/>")}, "This is not a picture that can be kept."),
        ({"picture": None}, "There is no picture in this."),
        ({"client_id": "7"}, "This picture has no number of its own. Take it again."),
    ):
        answer = sent(client, run.job_id, **wrong)
        assert answer.status_code == 422
        assert answer.json()["error"].startswith(words)
    assert not Photo.objects.exists()


def test_the_number_of_a_picture_belongs_to_one_job(run: Run, junior: User) -> None:
    client, once, other = signed_in(junior), uuid.uuid4(), builders.take_in(junior)
    assert sent(client, run.job_id, client_id=once).status_code == 200
    answer = sent(client, other.pk, client_id=once)
    assert (answer.status_code, answer.json()["error"]) == (
        409, "This picture was sent before for another job. Take it again.",
    )  # fmt: skip


def test_signed_out_or_without_a_token_no_picture_is_taken(run: Run, junior: User) -> None:
    assert sent(Client(), run.job_id).status_code == 401
    assert sent(signed_in(junior, csrf=True), run.job_id).status_code == 403
    assert not Photo.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_the_same_picture_at_once_is_one_row_one_file_and_one_reply(run: Run, junior: User) -> None:
    clients, once = [signed_in(junior) for _ in range(20)], uuid.uuid4()

    def post(number: int) -> tuple[int, str]:
        """As a device does: what finds others waiting is sent again."""
        answer = sent(clients[number], run.job_id, client_id=once)
        while answer.status_code == 503:
            time.sleep(0.05)
            answer = sent(clients[number], run.job_id, client_id=once)
        return answer.status_code, answer.content.decode()

    ((status, _body),) = set(builders.all_at_once(20, post))
    assert status == 200
    assert default_storage.listdir("")[1] == [Photo.objects.get().name]
