"""The files of fixtures/ hold together: trees, hazards, symptoms, cautions, set-up states, causes, meters, people.

Outside witnesses: ISO 15031-6 for the form of fault codes, ANSI Z535.6 for the signal words. Counts and limits of
length are the shop's own wish.
"""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest

from shopkb.core.flow.checks.step_hazards import HAZARDS
from shopkb.core.flow.model import Flow
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.readings.units import UNITS
from tests.shelf import CATALOG, DEMO, FLOW_MARK, FLOWS, KEY, MARK, SHELF, STARTER, STARTER_MARK, every_flow, load, walk

HEADS = {DEMO: MARK, STARTER: STARTER_MARK, FLOWS[0].parent: FLOW_MARK}


@pytest.mark.parametrize(
    "path", [*sorted(DEMO.glob("*.yaml")), *sorted(STARTER.glob("*.yaml")), *FLOWS], ids=lambda path: path.name
)
def test_every_file_says_first_what_it_is(path: Path) -> None:
    assert path.read_text(encoding="utf-8").splitlines()[0] == HEADS[path.parent]


@pytest.mark.parametrize("path", [*sorted(STARTER.glob("*.yaml")), *FLOWS], ids=lambda path: path.name)
def test_nothing_invented_stands_in_what_a_real_shop_starts_with(path: Path) -> None:
    text = path.read_text(encoding="utf-8").lower()
    makers = {
        key for node in load("platforms", DEMO) for key in (node["key"], *(one["key"] for one in node["children"]))
    }
    people = {person["name"] for person in load("people", DEMO)}
    assert [name for name in (*makers, *people, "withy", "invented") if re.search(rf"\b{name}\b", text)] == []


@pytest.mark.parametrize(
    ("name", "folder", "low", "high"),
    [("systems", STARTER, 190, 220), ("platforms", DEMO, 36, 44), ("platforms", STARTER, 16, 24)],
    ids=["systems", "platforms", "kinds"],
)
def test_trees_are_well_formed(name: str, folder: Path, low: int, high: int) -> None:
    nodes = list(walk(load(name, folder)))
    assert low <= len(nodes) <= high
    assert [path for path, count in Counter(path for path, _, _ in nodes).items() if count > 1] == []
    assert [path for path, node, _ in nodes if not KEY.fullmatch(node["key"]) or not node["name"]] == []
    fields = {"key", "name", "children"} | ({"hazards"} if name == "systems" else set())
    assert [path for path, node, _ in nodes if not set(node) <= fields] == []


def test_platforms_have_four_levels() -> None:
    """Maker, model, generation, engine: no branch is shorter or longer."""
    leaves = [path for path, node, _ in walk(load("platforms", DEMO)) if not node.get("children")]
    assert {path.count("/") for path in leaves} == {3}


def test_hazards_are_known_and_stand_once_on_a_branch() -> None:
    nodes = list(walk(load("systems")))
    named = {hazard for _, node, _ in nodes for hazard in node.get("hazards", ())}
    named |= {hazard for name in ("access", "cautions") for entry in load(name) for hazard in entry["hazards"]}
    assert named <= HAZARDS.keys()
    above = {path: hazards for path, _, hazards in nodes}
    doubled = [
        path
        for path, node, _ in nodes
        if above.get(path.rpartition("/")[0], frozenset()) & set(node.get("hazards", ()))
    ]
    assert doubled == []


def test_every_hazard_has_a_caution() -> None:
    covered = {hazard for caution in load("cautions") for hazard in caution["hazards"]}
    assert covered == HAZARDS.keys()


@pytest.mark.parametrize("name", ["symptoms", "cautions", "access", "meters"])
def test_keys_are_plain_and_unique(name: str) -> None:
    keys = [entry["key"] for entry in load(name)]
    assert [key for key in keys if not KEY.fullmatch(key)] == []
    assert len(set(keys)) == len(keys)


def test_symptoms_name_systems_words_and_codes() -> None:
    symptoms = load("symptoms")
    assert len(symptoms) == 30
    assert {symptom["system"] for symptom in symptoms} <= CATALOG.systems.keys()
    codes = [code for symptom in symptoms for code in symptom["codes"]]
    assert [code for code in codes if not re.fullmatch("[PCBU][0-3][0-9A-F]{3}", code)] == []
    words = Counter(word.lower() for symptom in symptoms for word in symptom["words"])
    assert [word for word, count in words.items() if count > 1] == []
    assert [symptom["key"] for symptom in symptoms if len(symptom["words"]) < 3] == []


def test_cautions_use_the_four_signal_words_and_danger_asks() -> None:
    """ANSI Z535.6: DANGER, WARNING and CAUTION for injury, NOTICE for damage only."""
    cautions = load("cautions")
    assert {caution["signal"] for caution in cautions} == {"DANGER", "WARNING", "CAUTION", "NOTICE"}
    asking = [caution["key"] for caution in cautions if "ask" in caution]
    assert asking == [caution["key"] for caution in cautions if caution["signal"] == "DANGER"]
    assert [caution["key"] for caution in cautions if not caution["title"] or len(caution["text"]) > 320] == []
    harmless = {"back-feed", "control-unit-output", "spread-terminal", "live-ohms"}
    noticed = {hazard for caution in cautions if caution["signal"] == "NOTICE" for hazard in caution["hazards"]}
    assert noticed == harmless


def test_set_up_states_cost_minutes() -> None:
    assert [state["key"] for state in load("access") if not 0 < state["minutes"] <= 30 or not state["name"]] == []


def test_further_causes_add_to_those_of_the_flows() -> None:
    causes = load("causes")
    assert {cause["component"] for cause in causes} <= CATALOG.systems.keys()
    named = [f"{cause['component']}#{cause['mode'].lower()}" for cause in causes]
    assert [identity for identity, count in Counter(named).items() if count > 1] == []
    assert set(named) & {cause.identity for flow in SHELF.values() for cause in flow.causes} == set()


@every_flow
def test_a_procedure_names_each_cause_once(flow: Flow) -> None:
    """Two procedures may prove the same cause; within one, a cause under two keys would split its evidence."""
    named = Counter(cause.identity for cause in flow.causes)
    assert [identity for identity, count in named.items() if count > 1] == []


def test_meters_have_ascending_ranges_that_resolve() -> None:
    meters = load("meters")
    assert len(meters) == 4
    measured: set[str] = set()
    for meter in meters:
        tops: dict[str, float] = {}
        for row in meter["accuracies"]:
            top, step = parse_quantity(row["top"]), parse_quantity(row["resolution"])
            assert UNITS[top.unit].quantity == UNITS[step.unit].quantity == row["quantity"]
            assert 0 < step.to(top.unit).magnitude <= top.magnitude / 100
            assert row["percent"] >= 0 and row["counts"] >= 0
            assert top.si() > tops.get(row["quantity"], float("-inf"))
            tops[row["quantity"]] = top.si()
        measured |= tops.keys()
    assert measured >= {"voltage", "current", "resistance", "temperature", "pressure", "frequency"}


def test_every_reading_of_the_flows_has_a_meter() -> None:
    measured = {row["quantity"] for meter in load("meters") for row in meter["accuracies"]}
    asked = {step.reading.quantity for flow in SHELF.values() for step in flow.steps if step.reading}
    assert asked <= measured


def test_eight_people_fill_every_role() -> None:
    people = load("people", DEMO)
    assert len({person["name"] for person in people}) == 8
    assert {person["role"] for person in people} == {"technician", "writer", "manager", "keeper"}
    assert [person["name"] for person in people if person["name"].title() not in person["full_name"].split()] == []
