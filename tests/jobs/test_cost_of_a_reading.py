"""What judging and storing one reading takes, and which meter it is judged with."""

from __future__ import annotations

import uuid

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.catalog.models import Meter
from shopkb.core.flow.model import Flow
from shopkb.core.flow.walk import AnsweredStep, Walk
from shopkb.jobs import answering, run_results
from shopkb.jobs.models import Result, Run
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import follow, signed_in

CONTROL = ("BEGIN", "SAVEPOINT", "RELEASE", "COMMIT", "ROLLBACK")


@pytest.fixture
def at_work(horn: Procedure, junior: User) -> Run:
    """A run at its second step, begun just now: its bands name an asked value, it has a caution and takes a reading."""
    now = timezone.now()
    run = builders.start(builders.take_in(junior, at=now), horn, junior, at=now)
    follow(run, [("press", "click", "")], junior, at=now)
    return run


@pytest.fixture
def client(at_work: Run, junior: User) -> Client:
    """Signed in, with the pocket meter chosen for the day, every cache warm."""
    client = signed_in(junior)
    client.post(reverse("jobs:meter", args=[at_work.pk]), {"meter": "pocket"})
    check(client, at_work, "supply", "12.31")
    return client


def check(client: Client, run: Run, step: str, typed: str) -> HttpResponse:
    page = client.get(reverse("jobs:step", args=[run.pk, step]), {"typed": typed})
    assert page.status_code == 200
    return page  # type: ignore[return-value]


def send(client: Client, run: Run, step: str, outcome: str, typed: str, **more: str) -> HttpResponse:
    sent = {"client_id": str(uuid.uuid4()), "typed": typed, "unit": "V", "outcome": outcome, **more}
    return client.post(reverse("jobs:answer", args=[run.pk, step]), sent)  # type: ignore[return-value]


def statements(captured: CaptureQueriesContext) -> list[str]:
    return [query["sql"] for query in captured if not query["sql"].startswith(CONTROL)]


def test_checking_a_reading_takes_ten_queries(client: Client, at_work: Run) -> None:
    """Session, person, runs, answers, cautions, values, meters, what was learned, repairs, findings."""
    with CaptureQueriesContext(connection) as captured:
        check(client, at_work, "supply", "12.31")
    assert len(statements(captured)) == 10, "\n".join(statements(captured))


def test_storing_an_answer_takes_ten_queries_at_most(client: Client, at_work: Run) -> None:
    """Session, person, meter, job and run locked at once, answers, cautions, values, answer stored, last event, event
    stored.

    Without a caution, of this step or standing from an earlier one, or a named value it asks for neither; the run's row
    is written only where its state changes.
    """
    with CaptureQueriesContext(connection) as captured:
        assert send(client, at_work, "supply", "full", "12.61", meter="pocket").status_code == 302
    assert len(statements(captured)) == 10, "\n".join(statements(captured))
    with CaptureQueriesContext(connection) as captured:
        assert send(client, at_work, "ground", "good", "0.05", meter="pocket").status_code == 302
    assert len(statements(captured)) == 9, "no named value\n" + "\n".join(statements(captured))


def test_a_reading_is_parsed_once_and_the_run_walked_once(
    client: Client, at_work: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[str] = []
    parse, walk = answering.parse_reading, run_results.walk
    monkeypatch.setattr(answering, "parse_reading", lambda *given: calls.append("parse") or parse(*given))

    def walked(flow: Flow, entries: list[AnsweredStep], before: Walk | None) -> Walk:
        calls.append("one step more" if before else "walk")
        return walk(flow, entries, before)

    monkeypatch.setattr(run_results, "walk", walked)
    check(client, at_work, "supply", "12.31")
    assert sorted(calls) == ["parse", "walk"]
    calls.clear()
    send(client, at_work, "supply", "full", "12.61")
    assert sorted(calls) == ["one step more", "parse", "walk"]


def test_the_form_names_the_meter_that_judged(client: Client, at_work: Run) -> None:
    page = check(client, at_work, "supply", "12.31").content.decode()
    assert '<input type="hidden" name="meter" value="pocket">' in page


@pytest.mark.parametrize(("named", "kept"), [("pocket", "pocket"), ("", None)])
def test_an_answer_is_judged_with_the_meter_of_its_form(
    client: Client, at_work: Run, junior: User, named: str, kept: str | None
) -> None:
    """Whatever meter was chosen in another window meanwhile."""
    client.post(reverse("jobs:meter", args=[at_work.pk]), {"meter": "" if named else "pocket"})
    assert send(client, at_work, "supply", "full", "12.61", meter=named).status_code == 302
    row = Result.objects.get(step="supply")
    assert (row.meter and row.meter.key) == kept
    assert (row.verdict == "unjudged") == (kept is None)


def test_a_refused_answer_is_shown_with_its_own_meter(client: Client, at_work: Run) -> None:
    Meter.objects.create(key="bench", name="Bench meter", accuracies=[])
    page = send(client, at_work, "supply", "weak", "12.61", meter="bench")
    assert page.status_code == 422
    assert '<input type="hidden" name="meter" value="bench">' in page.content.decode()


def test_a_meter_nobody_knows_is_refused_in_words(client: Client, at_work: Run) -> None:
    page = send(client, at_work, "supply", "full", "12.61", meter="no-such-meter")
    assert page.status_code == 422
    assert "is no longer listed" in page.content.decode()
    assert not Result.objects.filter(step="supply").exists()


def test_an_answer_to_an_unknown_step_or_run_is_not_found(client: Client, at_work: Run) -> None:
    assert send(client, at_work, "no-such-step", "full", "12.61").status_code == 404
    gone = Run(pk=at_work.pk + 1000)
    assert send(client, gone, "supply", "full", "12.61").status_code == 404
    assert send(client, gone, "supply", "full", "12.61", meter="no-such-meter").status_code == 404
