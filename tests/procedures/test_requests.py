"""Where no procedure fits: what the page says and offers, and asking the writers for one."""

from __future__ import annotations

import uuid

import pytest
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, OtherWords, Symptom, System
from shopkb.procedures.models import Procedure, ProcedureRequest
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.requests import ask_for_procedure, settle
from tests.builders import signed_in, take_in, words_of
from tests.conftest import NOW


def ask(by: User, words: str = "Wipers do nothing.", client_id: uuid.UUID | None = None) -> ProcedureRequest:
    return ask_for_procedure(words, None, by=by, at=NOW, client_id=client_id or uuid.uuid4())


def test_the_page_says_which_words_nobody_speaks_of(horn: Procedure, junior: User) -> None:
    page = words_of(signed_in(junior).get(reverse("procedures:list"), {"words": "wipers and the airbag"}))
    assert 'No procedure in force fits this closely: none speaks of "wipers" or "airbag".' in page
    assert "Ask the writers for a procedure" in page
    assert "Book in without a procedure" in page
    assert "fits this closely" not in words_of(signed_in(junior).get(reverse("procedures:list"), {"words": "no horn"}))


def test_other_words_of_the_catalog_are_the_same_words(horn: Procedure, junior: User) -> None:
    address, asked = reverse("procedures:list"), {"words": "klaxon dead"}
    client = signed_in(junior)
    assert 'none speaks of "klaxon"' in words_of(client.get(address, asked))
    OtherWords.objects.create(key="horn", words=["horn", "klaxon"])
    assert "fits this closely" not in words_of(client.get(address, asked))


def test_asked_from_a_job_it_reaches_writers_and_manager(
    horn: Procedure, junior: User, senior: User, manager: User
) -> None:
    job = take_in(junior, complaint="Wipers do nothing.")
    client = signed_in(junior)
    assert "none speaks of" in words_of(client.get(reverse("jobs:job", args=[job.pk])))
    sent = {"client_id": str(uuid.uuid4()), "words": job.complaint, "symptom": "", "job": job.pk}
    for _ in range(2):
        answer = client.post(reverse("procedures:ask"), sent)
        assert answer["Location"] == reverse("jobs:job", args=[job.pk])
    row = ProcedureRequest.objects.get()
    for person in (senior, manager):
        assert "1 procedure asked for" in words_of(signed_in(person).get(reverse("home")))
    listed = words_of(signed_in(senior).get(reverse("procedures:asked")))
    assert "Wipers do nothing." in listed
    signed_in(senior).post(reverse("procedures:settle-request", args=[row.pk]), {"settled": "Drafted."})
    row.refresh_from_db()
    assert (row.settled, row.settled_by) == ("Drafted.", senior)
    assert "asked for" not in words_of(signed_in(manager).get(reverse("home")))


def test_the_same_words_are_one_request_while_it_is_open(yard: None, junior: User, senior: User) -> None:
    one = ask(junior)
    assert ask(junior, "  Wipers   do nothing. ") == one
    settle(one, "Written.", by=senior, at=NOW)
    assert ask(junior) != one


@pytest.mark.parametrize(("words", "said"), [(" ", "Say what"), ("x" * 301, "These are 301 characters")])
def test_what_is_refused(yard: None, junior: User, words: str, said: str) -> None:
    with pytest.raises(ActionRefused, match=said):
        ask(junior, words)


def test_settling_is_said_once_and_in_words(yard: None, junior: User, senior: User) -> None:
    row = ask(junior)
    with pytest.raises(ActionRefused, match="Say what became of it"):
        settle(row, " ", by=senior, at=NOW)
    settle(row, "Not ours.", by=senior, at=NOW)
    with pytest.raises(ActionRefused, match="settled already"):
        settle(row, "Written.", by=senior, at=NOW)


def test_a_job_without_a_procedure_says_what_its_system_endangers(yard: None, junior: User) -> None:
    horn = System.objects.get(path="body/horn")
    System.objects.filter(path="body").update(hazards=["airbag"])
    Caution.objects.create(key="airbag", signal="WARNING", title="Airbags", text="Wait.", hazards=["airbag"])
    job = take_in(junior, symptom=Symptom.objects.get(key="horn-silent", system=horn))
    said = words_of(signed_in(junior).get(reverse("jobs:job", args=[job.pk])))
    assert "WARNING Airbags. Wait." in said


def test_other_words_in_another_script_change_nothing(horn: Procedure, junior: User) -> None:
    client, address = signed_in(junior), reverse("procedures:list")
    before = words_of(client.get(address))
    OtherWords.objects.create(key="alternator", words=["alternator", "генератор"])
    OtherWords.objects.create(key="horn", words=["клаксон", "horn"])
    assert words_of(client.get(address)) == before
    assert "fits this closely" not in words_of(client.get(address, {"words": "no horn"}))
    assert "fits this closely" in words_of(client.get(address, {"words": "клаксон"}))
