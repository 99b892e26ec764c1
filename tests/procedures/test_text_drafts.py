"""A procedure as text: a file or typed, every error with its line, and what is too long told as that."""

from __future__ import annotations

import html

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.core.flow.file.reader import read_flow
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.procedures.text_findings import findings_of_text
from tests.builders import CONTROL_TEXT, HORN_TEXT

NEW = reverse("procedures:new")


@pytest.fixture
def writer(client: Client, catalog: None, senior: User) -> Client:
    client.force_login(senior)
    return client


def file(text: str | bytes) -> SimpleUploadedFile:
    return SimpleUploadedFile("horn.yaml", text.encode() if isinstance(text, str) else text)


def words(answer: object) -> str:
    return " ".join(html.unescape(answer.content.decode()).split())  # type: ignore[attr-defined]


def line_of(text: str, words_of_it: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if words_of_it in line)


def test_a_file_is_taken_as_typed_text_is(writer: Client) -> None:
    writer.post(NEW, {"file": file(CONTROL_TEXT), "text": ""})
    assert flow_of(Revision.objects.get()) == read_flow(CONTROL_TEXT).flow


def test_a_file_that_cannot_be_read_is_shown_with_its_lines_and_nothing_is_stored(writer: Client) -> None:
    text = CONTROL_TEXT.replace("minutes:", "minuts:", 1)
    answer = writer.post(NEW, {"file": file(text), "text": ""})
    assert answer.status_code == 422
    assert f'data-line="{line_of(text, "minuts:")}"' in answer.content.decode()
    assert "minuts:" in answer.content.decode()
    broken = writer.post(NEW, {"file": file(b"title: \xff\xfe"), "text": ""})
    assert broken.status_code == 422
    assert not Revision.objects.exists()


def test_what_the_checks_find_is_told_with_its_line_and_the_draft_is_kept(writer: Client) -> None:
    text = HORN_TEXT.replace("system: body/horn", "system: cooling").replace("go: horn-ground,", "go: press,")
    assert "go: press," in text
    answer = writer.post(NEW, {"text": text}, follow=True)
    revision = Revision.objects.get()
    assert answer.redirect_chain[-1][0] == reverse("procedures:text", args=[revision.procedure.key, 1])
    page = words(answer)
    assert "Saved as a draft." in page
    shown = answer.context["form"]["text"].value()
    told = answer.context["findings"]
    assert told
    assert all(one.line for one in told)
    loops = [shown.splitlines()[one.line - 1] for one in told if one.id == "loop"]
    assert len(loops) == 1
    assert "go: press" in loops[0]


def test_a_misspelt_way_onward_is_told_once_and_as_that(catalog: None) -> None:
    text = HORN_TEXT.replace("go: supply}", "go: suply}", 1)
    read = read_flow(text)
    assert read.flow is not None
    told = [one for one in findings_of_text(read.flow, read.lines) if one.id in {"go-nowhere", "step-unreachable"}]
    assert [(one.id, one.line) for one in told] == [("go-nowhere", line_of(text, "go: suply}"))]
    assert "Did you mean 'supply'?" in told[0].hint
    lost = read_flow(HORN_TEXT.replace("go: supply}", "go: quite-another}", 1))
    assert lost.flow is not None
    assert any(one.id == "step-unreachable" for one in findings_of_text(lost.flow, lost.lines))


@pytest.mark.parametrize("how", ["file", "text"])
def test_too_long_is_told_as_too_long(writer: Client, how: str) -> None:
    long = "# " + "x" * (1024 * 1024) + "\n"
    answer = writer.post(NEW, {"file": file(long), "text": ""} if how == "file" else {"text": long})
    assert answer.status_code == 422
    assert "This is too long: 1.0 MiB, and a procedure file has at most 1 MiB." in words(answer)


def test_more_than_a_form_may_hold_is_told_as_too_long_as_well(writer: Client) -> None:
    answer = writer.post(NEW, {"text": "x" * (3 * 1024 * 1024)})
    assert answer.status_code == 413
    assert "What was sent is too long" in words(answer)


def test_nothing_at_all_is_told_as_that(writer: Client) -> None:
    assert "There is no text yet." in words(writer.post(NEW, {"text": ""}))
