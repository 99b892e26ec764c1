from __future__ import annotations

import re
from decimal import Decimal

import pytest
from django.contrib.messages import get_messages
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.catalog import trees
from shopkb.catalog.models import Access, Cause, Caution, Meter, Platform, Symptom, System
from shopkb.catalog.verifying import verify

pytestmark = pytest.mark.django_db

MODELS = ("system", "platform", "symptom", "cause", "caution", "access", "meter")


@pytest.fixture
def writer(client: Client) -> Client:
    """A browser in which a writer is signed in."""
    client.force_login(User.objects.create_user("writer", role=Role.WRITER, is_staff=True))
    return client


@pytest.fixture
def body() -> System:
    return trees.add(System, key="body", name="Body")


@pytest.fixture
def horn(body: System) -> System:
    return trees.add(System, key="horn", name="Horn", parent=body)


def url(model: str, page: str, *args: object) -> str:
    return reverse(f"admin:catalog_{model}_{page}", args=args)


def said(response: HttpResponse) -> list[str]:
    return [str(message) for message in get_messages(response.wsgi_request)]  # type: ignore[attr-defined]


def errors(response: HttpResponse) -> dict[str, list[str]]:
    return dict(response.context["adminform"].form.errors)  # type: ignore[attr-defined]


def test_a_new_node_goes_through_the_tree_door(writer: Client, body: System) -> None:
    response = writer.post(
        url("system", "add"), {"name": "Horn", "key": "horn", "parent": body.pk, "hazards": ["airbag", "back-feed"]}
    )
    assert response.status_code == 302
    horn = System.objects.get(path="body/horn")
    assert (horn.name, horn.parent, horn.hazards) == ("Horn", body, ["airbag", "back-feed"])
    assert verify(System).findings == ()


def test_name_place_and_hazards_change_together(writer: Client, body: System, horn: System) -> None:
    power = trees.add(System, key="power", name="Power")
    response = writer.post(
        url("system", "change", horn.pk),
        {"name": "Signal horn", "key": "ignored", "parent": power.pk, "hazards": ["airbag"]},
    )
    assert response.status_code == 302
    horn.refresh_from_db()
    assert (horn.name, horn.key, horn.path, horn.hazards) == ("Signal horn", "horn", "power/horn", ["airbag"])
    assert verify(System).findings == ()


def test_the_form_says_what_the_door_would_refuse(writer: Client, body: System, horn: System) -> None:
    response = writer.post(url("system", "add"), {"name": "Two", "key": "horn", "parent": body.pk})
    assert errors(response) == {"key": ["Below Body the key horn is taken. Choose another key."]}
    response = writer.post(url("system", "add"), {"name": "Two", "key": "body", "parent": ""})
    assert errors(response) == {"key": ["At the top of the tree the key body is taken. Choose another key."]}
    response = writer.post(url("system", "change", body.pk), {"name": "Body", "parent": horn.pk})
    assert errors(response) == {
        "parent": ["Body cannot hang below itself or what stands below it. Choose a place outside Body."]
    }
    response = writer.post(url("system", "add"), {"name": "Horn", "key": "Big Horn", "parent": ""})
    assert errors(response) == {
        "key": [
            "'Big Horn' cannot be a key. Use small letters, digits and single hyphens between them, such as big-horn."
        ]
    }
    response = writer.post(url("system", "add"), {"name": "X", "key": "x", "hazards": ["dragons"]})
    assert errors(response) == {"hazards": ["Select a valid choice. dragons is not one of the available choices."]}
    assert System.objects.count() == 2


def test_a_refusal_that_only_the_write_sees_is_shown(
    writer: Client, horn: System, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else was first between the form's look and the write."""
    monkeypatch.setattr(trees, "refuse_place", lambda *place: trees.remove(horn))
    response = writer.post(url("system", "change", horn.pk), {"name": "New", "parent": horn.parent.pk})
    assert response.status_code == 302
    assert said(response) == ["New was removed by somebody else meanwhile. Open the list again."]


def test_a_new_model_is_asked_for_its_kind(writer: Client) -> None:
    page = url("platform", "add")
    assert writer.post(page, {"name": "Diesel", "key": "diesel"}).status_code == 302
    diesel = Platform.objects.get()
    car = trees.add(Platform, key="car", name="car", parent=diesel)
    shown = writer.get(page).content.decode()
    assert "Which kind of vehicle is it?" in shown
    assert "Diesel car</option>" in shown
    model = {"name": "Ashwell 20", "key": "ashwell-20"}
    [said_of_parent] = errors(writer.post(page, model))["parent"]
    assert said_of_parent.startswith("Choose the kind of vehicle it is, such as Diesel car")
    assert "is_kind" in errors(writer.post(page, {**model, "parent": car.pk, "is_kind": "on"}))
    assert writer.post(page, {**model, "parent": car.pk}).status_code == 302
    assert writer.post(page, {"name": "Hydrogen", "key": "hydrogen", "is_kind": "on"}).status_code == 302
    hydrogen = Platform.objects.get(path="hydrogen")
    assert writer.post(url("platform", "change", hydrogen.pk), {"name": "Gas", "parent": ""}).status_code == 302
    assert set(Platform.objects.values_list("path", "name")) == {
        ("diesel", "Diesel"), ("diesel/car", "car"), ("diesel/car/ashwell-20", "Ashwell 20"), ("hydrogen", "Gas"),
    }  # fmt: skip


def test_removing_goes_through_the_door_too(writer: Client, body: System, horn: System) -> None:
    response = writer.post(url("system", "delete", horn.pk), {"post": "yes"})
    assert response.status_code == 302
    assert [node.path for node in System.objects.all()] == ["body"]
    assert verify(System).findings == ()


def test_leaves_picked_in_the_list_go_together(writer: Client, body: System, horn: System) -> None:
    lamp = trees.add(System, key="lamp", name="Lamp", parent=body)
    chosen = {"action": "delete_selected", "_selected_action": [horn.pk, lamp.pk], "post": "yes"}
    assert writer.post(url("system", "changelist"), chosen).status_code == 302
    assert [node.path for node in System.objects.all()] == ["body"]
    assert verify(System).findings == ()


def test_what_is_in_use_stays(writer: Client, body: System, horn: System) -> None:
    Cause.objects.create(component=horn, mode="open circuit")
    page = writer.get(url("system", "delete", horn.pk)).content.decode()
    assert "open circuit" in page
    writer.post(url("system", "delete", horn.pk), {"post": "yes"})
    chosen = {"action": "delete_selected", "_selected_action": [horn.pk], "post": "yes"}
    writer.post(url("system", "changelist"), chosen)
    assert System.objects.filter(pk=horn.pk).exists()


def test_a_use_that_django_would_drop_silently_is_refused(writer: Client, horn: System) -> None:
    from shopkb.procedures.models import Procedure

    dunlin = trees.add(Platform, key="dunlin", name="Dunlin")
    procedure = Procedure.objects.create(
        key="horn-silent", title="Horn does not sound", system=horn, owner=User.objects.get(username="writer")
    )
    procedure.platforms.add(dunlin)
    response = writer.post(url("platform", "delete", dunlin.pk), {"post": "yes"})
    assert said(response) == [
        "Dunlin cannot be removed. It is used by 1 procedure (Horn does not sound). "
        "Remove these or point them elsewhere first."
    ]
    assert list(procedure.platforms.all()) == [dunlin]


def test_the_level_is_shown_as_text(writer: Client, horn: System) -> None:
    page = writer.get(url("system", "changelist")).content.decode()
    assert "— Horn" in page
    assert page.index(">Body<") < page.index("— Horn")


def test_symptoms_take_words_and_codes_a_line_each(writer: Client, horn: System) -> None:
    values = {
        "name": "Horn is silent",
        "key": "horn-silent",
        "system": horn.pk,
        "words": "horn dead\r\n\r\n no beep ",
        "codes": "b0900\r\nU0100",
    }
    assert writer.post(url("symptom", "add"), values).status_code == 302
    symptom = Symptom.objects.get(key="horn-silent")
    assert (symptom.words, symptom.codes) == (["horn dead", "no beep"], ["B0900", "U0100"])
    page = writer.get(url("symptom", "change", symptom.pk)).content.decode()
    assert "horn dead\nno beep" in page
    response = writer.post(url("symptom", "add"), {**values, "key": "x", "codes": "P04"})
    assert errors(response) == {
        "codes": [
            "'P04' has 3 characters, a fault code has 5. A code is P, C, B or U, a figure from 0 to 3 and three of "
            "0-9 or A-F, as in P0480."
        ]
    }


def test_a_meter_takes_ranges_a_line_each(writer: Client) -> None:
    line = "voltage; 60 V; 0.1; 2; 10 mV"
    values = {"name": "Bench", "key": "bench", "accuracies": line}
    assert writer.post(url("meter", "add"), values).status_code == 302
    assert Meter.objects.get().accuracies == [
        {"quantity": "voltage", "top": "60 V", "percent": 0.1, "counts": 2, "resolution": "10 mV"}
    ]
    page = writer.get(url("meter", "change", Meter.objects.get().pk)).content.decode()
    for part, typed in (("top", "60 V"), ("percent", "0.1"), ("resolution", "10 mV")):
        assert f'name="accuracies-0-{part}" id="id_accuracies-0-{part}" value="{typed}"' in page
    response = writer.post(url("meter", "add"), {**values, "key": "b", "accuracies": "voltage; 60 V"})
    assert errors(response) == {
        "accuracies": ["Row 1 has 2 of 5 parts. Give all of them: quantity, top, percent, counts, resolution."]
    }
    response = writer.post(url("meter", "add"), {**values, "key": "b", "accuracies": "voltage; 60 V; ten; 2; 10 mV"})
    assert errors(response) == {
        "accuracies": ["Range 1: 'ten' cannot be the percent. Give a number from 0 up, such as 0.5."]
    }


def test_only_a_danger_asks_for_a_state(writer: Client) -> None:
    values = {"key": "hv", "signal": "WARNING", "title": "High voltage", "text": "Keep off.", "ask": "Plug is out."}
    response = writer.post(url("caution", "add"), {**values, "hazards": ["high-voltage"]})
    assert errors(response) == {
        "__all__": ["Only a DANGER caution asks for a state. Choose DANGER or clear the question."]
    }
    assert writer.post(url("caution", "add"), {**values, "signal": "DANGER"}).status_code == 302
    assert Caution.objects.get().ask == "Plug is out."


def test_a_key_stays_once_made(writer: Client) -> None:
    access = Access.objects.create(key="cabin", name="In the cabin", minutes=1)
    writer.post(url("access", "change", access.pk), {"name": "In the cab", "key": "cab", "minutes": "2"})
    access.refresh_from_db()
    assert (access.key, access.name, access.minutes) == ("cabin", "In the cab", Decimal(2))


def test_causes_are_shown_and_found_by_their_component(writer: Client, horn: System) -> None:
    Cause.objects.create(component=horn, mode="open circuit")
    page = writer.get(url("cause", "changelist"), {"q": "body/horn"}).content.decode()
    assert "Horn: open circuit" in page
    assert "body/horn: Horn" in writer.get(url("cause", "add")).content.decode()


INLINE = re.compile(
    r"<script(?![^>]*\bsrc=)(?![^>]*application/json)|<style|\sstyle=|\son[a-z]+=|javascript:", re.IGNORECASE
)


@pytest.mark.parametrize("model", MODELS)
def test_no_page_holds_what_the_content_security_policy_drops(writer: Client, horn: System, model: str) -> None:
    Cause.objects.create(component=horn, mode="open circuit")
    trees.add(Platform, key="dunlin", name="Dunlin")
    Symptom.objects.create(key="a", name="A")
    Caution.objects.create(key="a", signal="NOTICE", title="A", text="A")
    Access.objects.create(key="a", name="A")
    Meter.objects.create(key="a", name="A", accuracies=[])
    row = {"system": System, "platform": Platform, "symptom": Symptom, "cause": Cause}.get(model) or {
        "caution": Caution,
        "access": Access,
        "meter": Meter,
    }[model]
    pk = row.objects.get(**({"key": "horn"} if model == "system" else {})).pk
    for address in (url(model, "changelist"), url(model, "add"), url(model, "change", pk), url(model, "delete", pk)):
        response = writer.get(address)
        assert response.status_code == 200
        assert INLINE.findall(response.content.decode()) == []


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.MANAGER])
def test_others_do_not_get_in(client: Client, model: str, role: Role) -> None:
    client.force_login(User.objects.create_user("other", role=role))
    for answer in (client.get(url(model, "changelist")), client.post(url(model, "add"), {"name": "X", "key": "x"})):
        assert answer.status_code == 302
        assert answer["Location"].startswith("/admin/login/")


def test_a_list_takes_the_same_queries_however_long(writer: Client, body: System, django_assert_num_queries) -> None:
    writer.get(url("system", "changelist"))
    with django_assert_num_queries(5):
        writer.get(url("system", "changelist"))
    trees.load(System, [trees.NodeValue(f"n{number}", f"Node {number}") for number in range(40)])
    with django_assert_num_queries(5):
        writer.get(url("system", "changelist"))
