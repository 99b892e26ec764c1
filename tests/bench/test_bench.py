"""The bench page: every computation as a form that can be kept as an address; mistakes are told beside their field.

Expected figures: IEC 60228 class 5 (7.98 mohm/m for 2.5 mm2) over ideal copper (IEC 60028, 1/58 ohm mm2/m), P = U I,
and the definition of the mean of a rectangular wave.
"""

from __future__ import annotations

import html
import re
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.bench.views import GROUPS, expected_text, offered
from shopkb.core.readings.computations import Expected
from shopkb.core.readings.expected import COMPUTATIONS
from shopkb.core.readings.quantities import Quantity

DROP = "copper-cable-drop"


@pytest.fixture
def page(client: Client, junior: User) -> Client:
    client.force_login(junior)
    return client


def text_of(client: Client, name: str = "", status: int = 200, **inputs: str) -> str:
    """What a person reads: tags away, spaces single."""
    address = reverse("bench:computation", args=[name]) if name else reverse("bench:bench")
    answer = client.get(address, inputs)
    assert answer.status_code == status
    return " ".join(html.unescape(re.sub("<[^>]+>", " ", answer.content.decode())).split())


def test_only_for_people_signed_in(client: Client) -> None:
    assert client.get(reverse("bench:bench")).status_code == 302


@pytest.mark.django_db
def test_all_computations_are_offered(page: Client) -> None:
    shown = text_of(page)
    assert sorted(name for names in GROUPS.values() for name in names) == sorted(COMPUTATIONS)
    offers = [offered(each) for each in COMPUTATIONS.values()]
    assert [each.name for each in offers if " ".join(f"{each.title} {each.about}".split()) not in shown] == []


def test_a_summary_is_parted_where_it_parts_itself() -> None:
    drop, beta = offered(COMPUTATIONS[DROP]), offered(COMPUTATIONS["thermistor-beta"])
    assert drop.title == "Voltage a sound copper cable loses"
    assert drop.about == "The most for flexible cable, with ideal copper as the low end"
    assert (beta.title, beta.about) == (
        "Resistance of a thermistor from one point and beta",
        "Up to 4 % off the full curve at 0 °C",
    )
    assert offered(COMPUTATIONS["current-from-power"]).about == ""


@pytest.mark.parametrize("name", COMPUTATIONS)
def test_every_computation_has_a_page_with_its_inputs(page: Client, name: str) -> None:
    shown = page.get(reverse("bench:computation", args=[name])).content.decode()
    form = re.search('<form method="get".*?</form>', shown, re.DOTALL)
    assert form is not None
    assert set(re.findall(r'<(?:input|select)[^>]* name="([a-z]+)"', form[0])) == {
        given.name for given in COMPUTATIONS[name].inputs
    }
    assert "errors-above" not in shown


def test_an_unknown_computation_is_not_found(page: Client) -> None:
    assert page.get(reverse("bench:computation", args=["cable"])).status_code == 404


def test_a_cable_may_lose_between_ideal_copper_and_the_standard(page: Client) -> None:
    """3 m of 2.5 mm2 at 25 A and 20 degC: 75/(58 x 2.5) = 0.5172 V, and 75 x 7.98 mohm = 0.5985 V."""
    shown = text_of(page, DROP, area="2.5", length="3 m", current="25 A")
    assert "Expected 0.5172 to 0.5985 V" in shown
    assert "25 A through 3 m of 2.5 mm² copper at 20 °C loses 0.599 V" in shown
    assert "{compute: copper-cable-drop, area: 2.5 mm2, length: 3 m, current: 25 A}" in shown


def test_other_units_and_a_decimal_comma_are_read(page: Client) -> None:
    assert "Expected 0.5172 to 0.5985 V" in text_of(page, DROP, area="2,5", length="300 cm", current="25000 mA")


def test_one_value_is_said_to_be_about(page: Client) -> None:
    """240 W at 13 V: 18.46 A."""
    assert "Expected about 18.46 A" in text_of(page, "current-from-power", power="240", voltage="13")


def test_a_choice_counts(page: Client) -> None:
    """70 % of 13 V, and the other 30 % where ground is switched."""
    given = {"duty": "70", "supply": "13"}
    assert "Expected about 9.1 V" in text_of(page, "duty-to-mean-voltage", **given, switched="supply")
    assert "Expected about 3.9 V" in text_of(page, "duty-to-mean-voltage", **given, switched="earth")


def test_what_is_wrong_stands_beside_its_field_and_what_was_typed_stays(page: Client) -> None:
    answer = page.get(
        reverse("bench:computation", args=[DROP]), {"area": "2.5 kg", "length": "", "current": "9000", "gauge": "thin"}
    )
    shown = html.unescape(answer.content.decode())
    assert answer.status_code == 422
    beside = dict(re.findall(r'<ul class="errorlist" id="id_([a-z]+)_error"><li>([^<]+)</li>', shown))
    assert beside == {
        "area": "'kg' is not a unit known here. Right would be mm².",
        "gauge": "'thin' does not start with a number. Give a number, such as 12.7.",
        "length": "Enter the length of all conductors the current passes, in m.",
        "current": "9000 A is out of range. Give the current while measuring, from 0 A to 5000 A.",
    }
    assert 'value="2.5 kg"' in shown and 'value="9000"' in shown and "Expected" not in text_in(shown, "section")


def text_in(shown: str, tag: str) -> str:
    return " ".join(re.findall(rf"<{tag}.*?</{tag}>", shown, re.DOTALL))


def test_inputs_that_do_not_fit_together_are_said_above(page: Client) -> None:
    shown = text_of(page, DROP, 422, area="2.5", gauge="14", length="3", current="25")
    assert (
        "These inputs do not fit together copper-cable-drop needs either area or gauge. "
        "Give one: area 2.5 mm2, or gauge 14."
    ) in shown


def test_a_default_is_named_and_used(page: Client) -> None:
    shown = text_of(page, DROP, area="2.5", length="3", current="25", temperature="")
    assert "20 °C if left empty" in shown and "Expected 0.5172 to 0.5985 V" in shown


def test_an_address_with_markup_is_shown_as_text(page: Client) -> None:
    shown = page.get(reverse("bench:computation", args=[DROP]), {"length": '"><script>x</script>'}).content.decode()
    assert "<script>x" not in shown and "&lt;script&gt;x" in shown


def test_words_of_an_answer() -> None:
    volt = [Quantity(Decimal(number), "V") for number in (1, 2, 3)]
    assert expected_text(Expected(volt[0], volt[1], volt[2], "")) == "1 to 3 V"
    assert expected_text(Expected(None, volt[1], None, "")) == "about 2 V"
