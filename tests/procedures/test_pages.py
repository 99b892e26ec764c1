"""Pages of procedures: who may open and send what, what a refusal keeps, what a page costs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from unittest import mock

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.charts.refusals import ChartUnavailable
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.core.flow.file.writer import write_flow
from shopkb.evidence import learning
from shopkb.evidence.cache import clear_all
from shopkb.procedures import drawing, publishing
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from tests import builders
from tests.builders import HORN_TEXT, flow_from, get, signed_in, words_of
from tests.conftest import NOW

ROLES = ["technician", "writer", "manager", "keeper"]
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9" width="9pt" height="9pt"><g/></svg>'


@pytest.fixture(autouse=True)
def _drawn_at_once() -> Iterator[None]:
    """The renderer has its own tests; here a page asks for a drawing and gets one."""
    with mock.patch.object(drawing, "render", return_value=SVG):
        yield


def at(name: str, *args: object) -> str:
    return reverse(f"procedures:{name}", args=args)


PAGES = {
    "list": at("list"),
    "procedure": at("procedure", "horn-silent"),
    "revision": at("revision", "horn-silent", 1),
    "step": at("step", "horn-silent", 1, "supply"),
    "svg": at("chart", "horn-silent", 1, "svg"),
    "pdf": at("chart", "horn-silent", 1, "pdf"),
    "png": at("chart", "horn-silent", 1, "png"),
    "dot": at("chart", "horn-silent", 1, "dot"),
    "file": at("file", "horn-silent", 1),
}
WRITERS_PAGES = {"new": at("new"), "text": at("text", "horn-silent", 1)}
DOORS = {name: at(name, "horn-silent", 1) for name in ("draft", "review", "send-back", "publish", "withdraw")}


@pytest.fixture
def draft(horn: Procedure, senior: User) -> Revision:
    """Revision 2, a draft by the senior."""
    return publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)


@pytest.mark.parametrize("role", ROLES)
def test_every_page_opens_for_each_role_and_changes_nothing(draft: Revision, second: User, role: str) -> None:
    second.role = role
    second.save()
    client = signed_in(second)
    for name, url in PAGES.items():
        response, _queries = get(client, url)
        assert response.status_code == 200, name
    for name, url in WRITERS_PAGES.items():
        response, _queries = get(client, url)
        assert response.status_code == (200 if role in ("writer", "keeper") else 403), name
        if response.status_code == 403:
            assert "Your role does not let you write procedures. These roles may: writer, keeper." in words_of(response)


def test_without_signing_in_everything_leads_to_the_sign_in(horn: Procedure, client: Client) -> None:
    for url in (PAGES | WRITERS_PAGES).values():
        response = client.get(url)
        assert (response.status_code, response["Location"]) == (302, f"/sign-in/?next={url}")
    for url in DOORS.values():
        assert client.post(url)["Location"] == f"/sign-in/?next={url}"
    assert horn.revisions.get().state == Revision.State.PUBLISHED


def test_what_is_sent_without_our_token_is_refused(horn: Procedure, second: User) -> None:
    client = signed_in(second, csrf=True)
    for url in (DOORS | WRITERS_PAGES).values():
        assert client.post(url, {"why": "x", "text": HORN_TEXT}).status_code == 403
    assert horn.revisions.get().state == Revision.State.PUBLISHED


def test_a_link_to_a_door_does_nothing(horn: Procedure, second: User) -> None:
    for name, url in DOORS.items():
        response, _queries = get(signed_in(second), url)
        assert response.status_code == 405, name


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("door", DOORS)
def test_each_door_asks_for_its_right(draft: Revision, second: User, door: str, role: str) -> None:
    second.role = role
    second.save()
    may = {"writer", "keeper"} if door in ("draft", "review") else {"writer", "manager", "keeper"}
    response = signed_in(second).post(at(door, "horn-silent", 2), {"why": "Because."})
    assert response.status_code == (302 if role in may else 403)
    if role not in may:
        draft.refresh_from_db()
        assert (draft.state, Revision.objects.count()) == (Revision.State.DRAFT, 3)


def test_what_is_not_there_is_not_found(horn: Procedure, second: User) -> None:
    client = signed_in(second)
    for url in (
        at("procedure", "gone"),
        at("revision", "horn-silent", 9),
        at("revision", "horn-silent", 10**20),
        at("step", "horn-silent", 1, "gone"),
        at("step", "gone", 1, "supply"),
        at("chart", "gone", 1, "svg"),
        at("chart", "horn-silent", 1, "exe"),
        at("file", "gone", 1),
        at("text", "horn-silent", 9),
    ):
        assert client.get(url).status_code == 404, url
    for name in DOORS:
        assert client.post(at(name, "horn-silent", 9), {"why": "x"}).status_code == 404, name


# Reading


def test_the_page_says_what_the_procedure_is(horn: Procedure, second: User) -> None:
    page = words_of(signed_in(second).get(at("procedure", "horn-silent")))
    for said in (
        "Horn stays silent",
        "Halves the circuit at the horn connector.",
        "No closed job has followed this procedure yet.",
        "Fit a new horn.",
        "Look for water in the connector.",
        "ten times",
        "written by Senior",
        "reviewed by Second",
    ):
        assert said in page, said


def test_a_cold_page_reads_the_tallies_once(horn: Procedure, junior: User) -> None:
    """For its insight and for what is told lately."""
    builders.cured_job(horn, junior)
    client = signed_in(junior)
    clear_all()
    with CaptureQueriesContext(connection) as queries:
        client.get(at("procedure", "horn-silent"))
    whole = [sql for sql in (one["sql"] for one in queries) if "seconds_squared" in sql and "SUM(" not in sql]
    assert len(whole) == 1


def test_what_else_to_look_at_is_shown_as_at_the_end_of_a_job(yard: None, senior: User, second: User) -> None:
    text = HORN_TEXT.replace("Look for water in", "Look for **any** water in", 1)
    assert text != HORN_TEXT
    publishing.start_draft(flow_from(text), by=senior, at=NOW)
    page = signed_in(second).get(at("revision", "horn-silent", 1)).content.decode()
    assert "Look for <strong>any</strong> water" in page


def test_evidence_stands_on_the_page_and_the_step(horn: Procedure, junior: User) -> None:
    for way in (builders.TO_HORN, builders.TO_HORN, builders.TO_GROUND):
        builders.cured_job(horn, junior, way)
    client = signed_in(junior)
    page = words_of(client.get(at("procedure", "horn-silent")))
    assert "3 jobs followed this procedure, 3 ended in a proven cause" in page
    assert re.search(r"Expected minutes \d+ min \(\d+ min to \d+ min\) ?, give or take", page)
    assert re.search(r"Finds the right cause \d+ % \(\d+ % to \d+ %\)", page)
    assert "the 80 % interval; it narrows as more jobs are closed" in page
    response = client.get(at("step", "horn-silent", 1, "ground"))
    assert "Ground carries the load" in words_of(response)
    learned = {row[0].key: row[2] for row in response.context["branches"]}
    assert [learned[key].traffic for key in ("good", "bad")] == [2, 1]
    assert "differs" not in words_of(response)


def test_a_platform_that_differs_is_named_at_the_step(horn: Procedure, junior: User) -> None:
    """Of 40 on one platform 36 were right, of 20 on the other 2."""
    month = f"{timezone.localdate():%Y-%m}"
    counted = {
        TallyKey("horn-silent", "ground", "bad", cause, "measured", platform, month): TallySums(jobs)
        for platform, right, wrong in (("curlew/dunlin", 36, 4), ("godwit/turnstone", 2, 18))
        for cause, jobs in (("body/horn/earth#high resistance", right), ("body/horn/horn#open circuit", wrong))
    }
    learning.add_evidence(counted)
    page = words_of(signed_in(junior).get(at("step", "horn-silent", 1, "ground")))
    assert re.search(r"godwit/turnstone differs: 1\d % there, from 20 jobs, 89 % on all other vehicles\.", page)
    assert "A platform is said to differ where its rate is more than 10 points from that of all other vehicles" in page


def test_files_come_with_their_kind_and_name(horn: Procedure, second: User) -> None:
    client = signed_in(second)
    kinds = {
        "svg": "image/svg+xml",
        "pdf": "application/pdf",
        "png": "image/png",
        "dot": "text/vnd.graphviz; charset=utf-8",
    }
    for form, kind in kinds.items():
        response = client.get(at("chart", "horn-silent", 1, form))
        assert (response["Content-Type"], response["Content-Disposition"]) == (
            kind,
            f'attachment; filename="horn-silent-1.{form}"',
        )
    file = client.get(at("file", "horn-silent", 1))
    assert file.content.decode() == write_flow(flow_from(HORN_TEXT))
    assert file["Content-Disposition"] == 'attachment; filename="horn-silent.yaml"'


def test_a_chart_that_fails_leaves_the_list(horn: Procedure, second: User) -> None:
    broken = mock.patch.object(drawing, "render", side_effect=ChartUnavailable("Graphviz took too long."))
    with broken:
        page = signed_in(second).get(at("procedure", "horn-silent"))
        file = signed_in(second).get(at("chart", "horn-silent", 1, "svg"))
    assert page.status_code == 200
    assert "The chart cannot be drawn: Graphviz took too long." in words_of(page)
    assert "Voltage at the connector" in words_of(page)
    assert file.status_code == 503
    assert "Graphviz took too long." in words_of(file)


def test_procedures_are_found_by_words_code_and_symptom(horn: Procedure, second: User) -> None:
    client = signed_in(second)
    for query in ({"words": "the hooter is dead"}, {"code": "b090"}, {"symptom": "horn-silent"}):
        assert "Horn stays silent" in words_of(client.get(at("list"), query)), query
    for query in ({"words": "brakes"}, {"code": "P0999"}, {"symptom": "horn-hoarse"}):
        assert "No procedure in force fits this closely" in words_of(client.get(at("list"), query)), query
    part = client.get(at("list"), {"words": "horn"}, headers={"HX-Request": "true"})
    assert "<html" not in part.content.decode()


# Writing


def test_a_new_procedure_from_its_text(yard: None, senior: User) -> None:
    response = signed_in(senior).post(at("new"), {"text": HORN_TEXT, "why": "First."})
    revision = Revision.objects.get()
    assert response["Location"] == at("text", "horn-silent", 1)  # where what the checks find stands with its lines
    assert (revision.why, revision.author, flow_of(revision)) == ("First.", senior, flow_from(HORN_TEXT))


def test_a_text_that_cannot_be_read_is_kept_with_every_error(yard: None, senior: User) -> None:
    text = HORN_TEXT.replace("test: listen", "test: smell").replace("start: press", "starts: press")
    response = signed_in(senior).post(at("new"), {"text": text, "why": "First <try>."})
    page = words_of(response)
    assert response.status_code == 422
    assert f"line {text.splitlines().index('starts: press') + 1}" in page
    assert "starts: press" in page
    assert "First &lt;try&gt;." in response.content.decode()
    assert not Procedure.objects.exists()


def test_a_text_that_may_not_be_stored_is_kept(draft: Revision, senior: User) -> None:
    text = HORN_TEXT.replace("Press three times.", "Press four times.")
    response = signed_in(senior).post(at("new"), {"text": text})
    assert response.status_code == 422
    assert "Revision 2 of this procedure is draft by Senior." in words_of(response)
    assert "Press four times." in words_of(response)


def test_a_draft_is_edited_and_the_reason_is_kept(draft: Revision, senior: User) -> None:
    """A browser sends line ends as CR LF; the text stays the same text."""
    client, url = signed_in(senior), at("text", "horn-silent", 2)
    text = client.get(url).context["form"].initial["text"]
    changed = text.replace("Press three times.", "Press four times.")
    sent = {"text": changed.replace("\n", "\r\n"), "why": "Four is surer.", "based_on": draft.checksum}
    assert client.post(url, sent)["Location"] == at("revision", "horn-silent", 2)
    draft.refresh_from_db()
    assert flow_of(draft) == flow_from(changed)
    assert draft.why == "Four is surer."


def test_the_reason_for_sending_back_outlives_an_edit(draft: Revision, senior: User, second: User) -> None:
    for why in ("Where is the relay?", "Which relay?"):
        publishing.ask_for_review(draft, by=senior)
        publishing.send_back(draft, by=second, at=NOW, why=why)
    client, url = signed_in(senior), at("text", "horn-silent", 2)
    form = client.get(url).context["form"]
    assert "<textarea" in str(form["why"])
    sent = {**form.initial, "why": form.initial["why"].replace("\n", "\r\n"), "based_on": draft.checksum}
    assert client.post(url, sent).status_code == 302
    draft.refresh_from_db()
    assert draft.why == "Sent back by Second: Where is the relay?\n\nSent back by Second: Which relay?"


def test_two_who_edit_at_once_lose_nothing(draft: Revision, senior: User, second: User) -> None:
    url, based_on = at("text", "horn-silent", 2), draft.checksum
    mine = HORN_TEXT.replace("Press three times.", "Press four times.")
    theirs = HORN_TEXT.replace("Press three times.", "Press five times.")
    signed_in(second).post(url, {"text": theirs, "based_on": based_on})
    response = signed_in(senior).post(url, {"text": mine, "based_on": based_on})
    assert response.status_code == 422
    page = words_of(response)
    assert "This draft was saved by somebody else since you opened it. Both texts are kept below." in page
    assert "Press four times." in page
    assert "Press five times." in page
    draft.refresh_from_db()
    assert flow_of(draft) == flow_from(theirs)


def test_from_draft_to_published_by_pages(draft: Revision, senior: User, second: User) -> None:
    author, reviewer = signed_in(senior), signed_in(second)
    url = at("revision", "horn-silent", 2)

    def state() -> str:
        draft.refresh_from_db()
        return draft.state

    author.post(at("review", "horn-silent", 2))
    assert state() == Revision.State.IN_REVIEW
    reviewer.post(at("send-back", "horn-silent", 2), {"why": "Say where."})
    assert (state(), draft.why) == (Revision.State.DRAFT, "Sent back by Second: Say where.")
    own = author.post(at("publish", "horn-silent", 2), follow=True)
    assert "A second person must review and publish what you wrote." in words_of(own)
    done = reviewer.post(at("publish", "horn-silent", 2), follow=True)
    assert done.redirect_chain[-1][0] == url
    assert "Published. New runs follow this revision." in words_of(done)
    assert state() == Revision.State.PUBLISHED
    unsaid = reviewer.post(at("withdraw", "horn-silent", 2), {"why": " "}, follow=True)
    assert "Say why it is withdrawn: the people who followed it will read this." in words_of(unsaid)
    gone = reviewer.post(at("withdraw", "horn-silent", 2), {"why": "Dangerous.", "for_safety": "yes"}, follow=True)
    assert "Withdrawn for safety" in words_of(gone)
    assert (state(), draft.withdrawn_for_safety) == (Revision.State.WITHDRAWN, True)


def test_a_refused_publication_names_every_error(draft: Revision, senior: User, second: User) -> None:
    text = HORN_TEXT.replace("symptoms: [horn-silent]", "symptoms: [horn-mute]")
    publishing.save_draft(draft, flow_from(text), by=senior, based_on=draft.checksum)
    page = words_of(signed_in(second).post(at("publish", "horn-silent", 2), follow=True))
    assert "1 error must be put right before this can be published." in page
    assert "'horn-mute' is not a symptom of the catalog" in page


# What a page costs


def test_the_list_costs_the_same_with_two_procedures_and_with_forty(
    horn: Procedure, senior: User, second: User
) -> None:
    client = signed_in(senior)
    publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    _page, few = get(client, at("list"))
    for number in range(38):
        text = HORN_TEXT.replace("procedure: horn-silent", f"procedure: horn-{number}")
        revision = builders.put_in_force(text, senior, second).revisions.get()
        publishing.draft_from(revision, by=senior, at=NOW)
    response, many = get(client, at("list"))
    assert len(response.context["offers"]) == 40
    assert many == few <= 13


def test_a_procedure_costs_the_same_with_one_revision_and_with_forty(
    horn: Procedure, junior: User, senior: User, second: User
) -> None:
    client = signed_in(junior)
    urls = [at("procedure", "horn-silent"), at("step", "horn-silent", 1, "supply")]
    for url in urls:
        client.get(url)
    few = [get(client, url)[1] for url in urls]
    revision = horn.revisions.get()
    for _ in range(39):
        revision = publishing.draft_from(revision, by=senior, at=NOW)
        publishing.publish(revision, by=second, at=NOW)
    for way in (builders.TO_HORN, builders.TO_GROUND, builders.TO_RELAY):
        builders.cured_job(horn, junior, way)
    for url in urls:
        client.get(url)
    assert [get(client, url)[1] for url in urls] == few
    assert max(few) <= 18
