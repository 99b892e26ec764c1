"""What becomes of a suggestion: given, done, watched, put aside, taken up again; and what it brought."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from types import SimpleNamespace
from typing import cast

import pytest
from django.core.exceptions import PermissionDenied
from django.db.utils import DatabaseError
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.models import Symptom
from shopkb.jobs.actions import closing
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure
from shopkb.procedures.publishing import ActionRefused
from shopkb.reports.figures.decisions import Decided
from shopkb.reports.figures.minutes import MeanChange
from shopkb.reports.figures.new_revisions import EditionFigures
from shopkb.reports.figures.shares import Mean, Share
from shopkb.reports.figures.suggestions import Subject, SuggestionKind
from shopkb.reports.improving.deciding import MOST, Said, decide
from shopkb.reports.models import SuggestionDecision
from shopkb.reports.pages.decisions_table import brought_words
from shopkb.reports.pages.new_revisions_table import RevisionComparison
from tests.builders import HORN_TEXT, cured_job, get, put_in_force, signed_in, take_in, words_of
from tests.conftest import NOW, person

PERIOD = {"since": "2026-01", "until": "2026-06"}
HOARSE = Subject(SuggestionKind.NO_PROCEDURE, "", "", "horn-hoarse")
SAID = Said("5 jobs came in with “Horn sounds hoarse”, and no procedure is for it.", 5, 0, None)


@pytest.fixture
def hoarse(horn: Procedure, junior: User) -> Procedure:
    """Five jobs with a complaint that no procedure is for: that stands out."""
    come_in(5, junior)
    return horn


def come_in(jobs: int, by: User) -> None:
    symptom = Symptom.objects.get(key="horn-hoarse")
    for _ in range(jobs):
        closing.close_job(take_in(by, symptom=symptom), Job.Disposition.UNSOLVED, by=by, at=NOW)


def at(subject: Subject = HOARSE) -> str:
    return f"{reverse('reports:decide', args=[subject.address])}?since=2026-01&until=2026-06"


def send(client: Client, what: Decided, **fields: object) -> tuple[int, str]:
    """Status, and the words of the page that follows."""
    prefix = what.value.partition(" ")[0]
    sent = {"decided": what.value, f"{prefix}-client_id": str(uuid.uuid4())}
    sent |= {f"{prefix}-{name}": str(value) for name, value in fields.items()}
    response = client.post(at(), sent, follow=True)
    return response.status_code, words_of(response)


def listed(client: Client) -> list[str]:
    """Sentences of the list of what to change next."""
    page = get(client, reverse("reports:figures"), **PERIOD)[0].content.decode()
    table = page[page.index('id="changes"') : page.index('id="in-hand"') if 'id="in-hand"' in page else None]
    return [row for row in re.findall(r"<th scope=\"row\">(.*?)</th>", table, re.S) if "hoarse" in row]


def test_given_to_a_writer_it_leaves_the_list_and_waits_on_their_page(
    hoarse: Procedure, manager: User, senior: User
) -> None:
    client = signed_in(manager)
    assert len(listed(client)) == 1
    status, words = send(client, Decided.GIVEN, whom=senior.username, words="Before the winter, please.")
    assert status == 200 and f"Given to {senior} by {manager}: Before the winter, please." in words
    assert listed(client) == []
    home = words_of(get(signed_in(senior), reverse("home"))[0])
    assert "Given to you to change" in home and "Horn sounds hoarse" in home and "Before the winter" in home
    page = words_of(get(client, reverse("reports:figures"), **PERIOD)[0])
    assert "In hand" in page and "5 jobs came in with “Horn sounds hoarse”" in page


def test_whom_it_was_given_to_says_that_it_is_done(hoarse: Procedure, manager: User, senior: User) -> None:
    assert signed_in(senior).get(at()).status_code == 403
    send(signed_in(manager), Decided.GIVEN, whom=senior.username)
    status, words = send(signed_in(senior), Decided.DONE, words="There is one now.")
    assert status == 200 and "Done" in words and "Given to you" not in words
    assert [row.decided for row in SuggestionDecision.decisions.on(HOARSE)] == ["done", "given"]


def test_put_aside_with_a_reason_it_comes_back_once_more_jobs_say_it(
    hoarse: Procedure, manager: User, junior: User
) -> None:
    client = signed_in(manager)
    status, words = send(client, Decided.DISMISSED, words="")
    assert status == 422 and "This field is required" in words and not SuggestionDecision.objects.exists()
    assert send(client, Decided.DISMISSED, words="It is one fleet's horn.")[0] == 200
    come_in(4, junior)
    assert listed(client) == []
    come_in(1, junior)
    assert len(listed(client)) == 1


def test_back_on_the_list_by_hand(hoarse: Procedure, manager: User) -> None:
    client = signed_in(manager)
    assert "Put it back on the list" not in words_of(client.get(at()))
    send(client, Decided.WATCHED)
    assert listed(client) == []
    assert send(client, Decided.TAKEN_UP)[0] == 200
    assert len(listed(client)) == 1


def test_what_was_typed_stands_there_after_a_refusal(hoarse: Procedure, manager: User) -> None:
    client = signed_in(manager)
    assert send(client, Decided.GIVEN, whom="", words="To whom?")[0] == 422
    sent = {"decided": "given", "given-words": "To whom?", "given-client_id": str(uuid.uuid4())}
    assert 'value="To whom?"' in client.post(at(), sent).content.decode()


def test_the_same_form_twice_is_one_decision(hoarse: Procedure, manager: User) -> None:
    once = uuid.uuid4()
    first, second = (decide(HOARSE, Decided.WATCHED, SAID, by=manager, at=NOW, client_id=once) for _ in range(2))
    assert first == second and SuggestionDecision.objects.count() == 1


def test_who_may_not_decide(hoarse: Procedure, senior: User, junior: User) -> None:
    for by in (senior, junior):
        with pytest.raises(PermissionDenied):
            decide(HOARSE, Decided.WATCHED, SAID, by=by, at=NOW, client_id=uuid.uuid4())


def refused(by: User, what: Decided, subject: Subject = HOARSE, **more: object) -> str:
    with pytest.raises(ActionRefused) as caught:
        decide(subject, what, SAID, by=by, at=NOW, client_id=uuid.uuid4(), **more)  # type: ignore[arg-type]
    return str(caught.value)


def test_every_refusal(hoarse: Procedure, manager: User, junior: User) -> None:
    gone = person("gone", "writer")
    gone.is_active = False
    somebody = "Choose whom it is given to: somebody who may write procedures."
    assert [refused(manager, Decided.GIVEN, person=who) for who in (None, junior, gone)] == [somebody] * 3
    assert refused(manager, Decided.DISMISSED) == "Say why it is put aside, so that nobody has to ask again."
    costly = Subject(SuggestionKind.COSTLY_STEP, "horn-silent", "look", "")
    none = "There is no published revision 9 of this procedure. Choose one of the list."
    assert refused(manager, Decided.DONE, costly, revision=9) == none
    assert refused(manager, Decided.WATCHED, words="x" * 301) == "These are 301 characters. Say it in at most 300."
    for _ in range(MOST):
        decide(HOARSE, Decided.WATCHED, SAID, by=manager, at=NOW, client_id=uuid.uuid4())
    assert refused(manager, Decided.WATCHED) == f"This was decided {MOST} times already. Talk about it."


def test_nothing_stands_out_there_and_nothing_was_decided(horn: Procedure, manager: User) -> None:
    client = signed_in(manager)
    assert client.get(at()).status_code == 404
    assert client.get(at(Subject(SuggestionKind.COMEBACK, "", "", "x" * 301))).status_code == 404
    assert client.get(f"{reverse('reports:decide', args=['nonsense'])}").status_code == 404


def test_a_decision_stays_as_it_was_made(hoarse: Procedure, manager: User) -> None:
    row = decide(HOARSE, Decided.WATCHED, SAID, by=manager, at=NOW, client_id=uuid.uuid4())
    with pytest.raises(DatabaseError):
        SuggestionDecision.objects.filter(pk=row.pk).update(words="Other words.")


def test_what_a_revision_brought_is_told_beside_it(
    hoarse: Procedure, manager: User, senior: User, second: User, junior: User
) -> None:
    for _ in range(5):
        cured_job(hoarse, junior)
    put_in_force(HORN_TEXT.replace("Look at the button", "Look hard at the button"), senior, second)
    subject = Subject(SuggestionKind.MISLEADING_END, "horn-silent", "direct", "")
    done = {"by": manager, "at": NOW + timedelta(days=3), "client_id": uuid.uuid4(), "revision": 2}
    decide(subject, Decided.DONE, Said("What it named was wrong.", 6, 9, 40.0), **done)  # type: ignore[arg-type]
    client = signed_in(manager)
    page = words_of(get(client, reverse("reports:figures"), **PERIOD)[0])
    assert f"Done in revision 2 by {manager}" in page and "Too early to say: 0 jobs since." in page
    for _ in range(5):
        cured_job(hoarse, junior)
    page = words_of(get(client, reverse("reports:figures"), **PERIOD)[0])
    assert "No clear change in minutes to a proven cause (5 jobs)." in page, page
    assert "revision 2" in words_of(client.get(at(subject)))


@pytest.mark.parametrize(
    ("minutes", "sure", "told"),
    [
        (-4.0, 0.86, "4 min quicker to a proven cause (31 jobs, 86 % sure)."),
        (4.0, 0.999, "4 min slower to a proven cause (31 jobs, 99 % sure)."),
        (-4.0, 0.79, "No clear change in minutes to a proven cause (31 jobs)."),
    ],
)
def test_a_change_is_told_as_one_only_where_it_is_likely(minutes: float, sure: float, told: str) -> None:
    """Of the 31 jobs with a proven cause, not of all 40 that followed the revision."""
    since = EditionFigures(40, Mean(20.0, 5.0, 31), Share(0, 0), Share(0, 0))
    one = SimpleNamespace(moved=MeanChange(minutes, -8, 8, sure), since=since)
    assert brought_words(cast("RevisionComparison", one)) == told
