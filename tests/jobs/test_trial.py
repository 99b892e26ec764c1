"""A draft walked with invented readings, as it will be at the vehicle: everything stands in the address."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.core.flow import editing
from shopkb.core.flow.model import Go, GoKind
from shopkb.jobs.models import Job, Result, Run
from shopkb.jobs.views.trial import LONGEST_WAY, follow
from shopkb.procedures import publishing
from tests.builders import HORN_TEXT, flow_from, start, take_in
from tests.conftest import NOW
from tests.core.flow.builders import DATA
from tests.markup import one_line

HERE = reverse("jobs:trial", args=["horn-silent", 1])


@pytest.fixture
def writer(client: Client, yard: None, senior: User) -> Client:
    publishing.start_draft(flow_from(HORN_TEXT), by=senior, at=NOW)
    client.force_login(senior)
    return client


def page(client: Client, **asked: str) -> str:
    answer = client.get(HERE, asked)
    assert answer.status_code == 200
    return one_line(answer.content.decode())


def test_the_answers_lead_from_step_to_step_and_back(writer: Client) -> None:
    assert "Press the button and listen" in page(writer)
    answer = writer.get(HERE, {"outcome": "click"})
    assert answer["Location"] == f"{HERE}?way=click"
    supply = page(writer, way="click")
    assert "Battery voltage with all loads off" in supply
    assert f'href="{HERE}">Back</a>' in supply


def test_a_reading_is_judged_by_the_values_that_were_asked_once(writer: Client) -> None:
    assert "has no unit" not in page(writer, way="click", **{"value-battery": "12.5"})
    assert "does not start with a number" in page(writer, way="click", **{"value-battery": "full"})
    judged = page(writer, way="click", typed="12.2", unit="V", **{"value-battery": "12.5"})
    assert "<strong>Full supply" in judged
    answer = writer.get(HERE, {"way": "click", "outcome": "full", "value-battery": "12.5"})
    assert answer["Location"] == f"{HERE}?way=click.full&value-battery=12.5"


@pytest.mark.parametrize(
    ("way", "told"),
    [
        ("sounds", "This leaves the procedure without a cause."),
        ("silent", "Goes on in: horn control"),
        ("click.absent", "Fit a new relay."),
        ("click.full.good.silent", "Asked back before leaving: horn connector."),
    ],
)
def test_every_end_says_what_the_vehicle_page_would(writer: Client, way: str, told: str) -> None:
    assert told in page(writer, way=way)


def test_nothing_is_stored(writer: Client) -> None:
    for way in ("", "click", "click.full", "click.full.bad", "nonsense.click"):
        page(writer, way=way, typed="12", unit="V", **{"value-battery": "12.5"})
    assert not Job.objects.exists()
    assert not Run.objects.exists()
    assert not Result.objects.exists()


def test_a_draft_with_a_loop_or_a_gap_can_be_tried_as_well() -> None:
    flow = flow_from(HORN_TEXT)
    round_again = editing.set_destination(flow, "supply", "full", Go(GoKind.STEP, "press"))
    assert len(follow(round_again, ["click", "full"] * LONGEST_WAY).answered) == LONGEST_WAY
    gap = follow(editing.set_destination(flow, "press", "click", Go(GoKind.NOWHERE)), ["click"])
    assert (gap.step, gap.end and gap.end.key) == (None, "click")
    assert follow(editing.new_flow("horn-silent", "Horn", "body/horn"), []).step is None


CIRCUIT_TEXT = (DATA / "valid" / "horn-circuit.yaml").read_text(encoding="utf-8")
OF_CIRCUIT = reverse("jobs:trial", args=["horn-circuit", 1])


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({}, "What would be read"),
        ({}, '<figure class="circuit-drawing"> <svg'),
        ({"typed": "12.3", "unit": "V"}, "<strong>Fits:</strong> sound circuit"),
        ({"typed": "4.4", "unit": "V"}, "<strong>Fits:</strong> relay: burnt contacts"),
        ({"typed": "4.4", "unit": "V"}, "<strong>Not:</strong> sound circuit"),
        ({"typed": "15.9", "unit": "V"}, "Neither the sound circuit nor any cause listed reads so"),
    ],
)
def test_what_the_circuit_would_read_stands_beside_the_reading(
    client: Client, yard: None, senior: User, asked: dict[str, str], told: str
) -> None:
    publishing.start_draft(flow_from(CIRCUIT_TEXT), by=senior, at=NOW)
    client.force_login(senior)
    answer = client.get(OF_CIRCUIT, asked)
    assert answer.status_code == 200
    assert told in one_line(answer.content.decode())


def test_what_a_reading_fits_is_not_in_the_way_of_the_answers(client: Client, yard: None, senior: User) -> None:
    publishing.start_draft(flow_from(CIRCUIT_TEXT), by=senior, at=NOW)
    client.force_login(senior)
    shown = one_line(client.get(OF_CIRCUIT, {"typed": "15.9", "unit": "V"}).content.decode())
    places = [shown.index(words) for words in ("Neither the sound circuit", 'class="answers"', "What 15.9 V fits")]
    assert places == sorted(places)


def test_the_writer_is_told_where_a_reading_would_tell_more(client: Client, yard: None, senior: User) -> None:
    """The step written for the supply measures where hardly any fault shows."""
    poor = CIRCUIT_TEXT.replace("probes: [feed to battery-]", "probes: [horn-out to earth]")
    publishing.start_draft(flow_from(poor), by=senior, at=NOW)
    client.force_login(senior)
    told = one_line(client.get(OF_CIRCUIT).content.decode())
    assert "Tells more than any step written here:" in told
    assert "red on horn connector, feed pin (B), black on earth, all else as in this step. Sound: 1" in told
    judged = one_line(client.get(OF_CIRCUIT, {"typed": "12", "unit": "V"}).content.decode())
    assert "Tells more" not in judged


def test_nothing_is_told_where_a_written_step_tells_as_much(client: Client, yard: None, senior: User) -> None:
    publishing.start_draft(flow_from(CIRCUIT_TEXT), by=senior, at=NOW)
    client.force_login(senior)
    assert "Tells more" not in one_line(client.get(OF_CIRCUIT).content.decode())


@pytest.mark.parametrize(("alone", "told"), [("feed to battery-", True), ("battery+ to horn-in", False)])
def test_at_the_vehicle_too(client: Client, yard: None, senior: User, junior: User, alone: str, told: bool) -> None:
    """Held against every test of the job: where the horn fed directly is read well, that one tells as much."""
    text = CIRCUIT_TEXT.replace("probes: [feed to battery-]", "probes: [horn-out to earth]")
    text = text.replace("probes: [battery+ to horn-in]", f"probes: [{alone}]")
    revision = publishing.start_draft(flow_from(text), by=senior, at=NOW)
    revision.state = revision.State.PUBLISHED
    revision.save()
    run = start(take_in(junior), revision.procedure, junior)
    client.force_login(junior)
    page = one_line(client.get(reverse("jobs:step", args=[run.pk, "supply"])).content.decode())
    assert 'class="circuit-drawing"' in page
    assert ("Tells more than any step written here:" in page) is told
