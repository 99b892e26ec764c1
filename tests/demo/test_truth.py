"""The truth file: whole, invented, and fitting the procedures, people, platforms and meters beside it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from shopkb.accounts.roles import RIGHTS, Right, Role
from shopkb.core.flow.model import TestKind
from shopkb.core.identifiers import VinState, check_vin, parse_trouble_code
from shopkb.demo.management.commands.demo import Command
from shopkb.demo.truth import Circumstances, ProcedureTruth, TruthError, cause_weights, fact, misfits, read_truth
from tests.conftest import DEMO, STARTER
from tests.demo.invented import flows, others, truth


def fixture(name: str) -> list[dict[str, Any]]:
    folder = DEMO if name in ("platforms", "people") else STARTER
    return list(YAML(typ="safe", pure=True).load(folder / f"{name}.yaml"))


def paths(nodes: list[dict[str, Any]], above: str = "") -> set[str]:
    found = set()
    for node in nodes:
        path = above + node["key"]
        found |= {path} | paths(node.get("children", []), f"{path}/")
    return found


def test_it_is_marked_as_invented() -> None:
    first = (DEMO / "truth.yaml").read_text(encoding="utf-8").splitlines()[0]
    assert first == "# Invented demo data: Withy Saltings Community Buses."


def test_it_fits_the_procedures() -> None:
    assert list(misfits(truth(), flows(), others())) == []


def test_sixty_invented_vehicles() -> None:
    vehicles = truth().vehicles
    assert len(vehicles) == len({one.registration for one in vehicles}) == len({one.vin for one in vehicles}) == 60
    # U0 begins no country's numbers (ISO 3780, from memory).
    assert {one.vin[:2] for one in vehicles} == {"U0"}
    states = Counter(check_vin(one.vin).state for one in vehicles)
    assert states == {VinState.NOT_CHECKABLE: 50, VinState.RIGHT: 10}


def test_the_world_is_as_large_as_was_asked_for() -> None:
    """Counts are the shop's own wish: three years, about 3000 jobs, 120 causes and 18 cautions at least."""
    causes = {cause.identity for flow in flows().values() for cause in flow.causes}
    causes |= {f"{cause['component']}#{cause['mode'].lower()}" for cause in fixture("causes")}
    sizes = {"systems": len(paths(fixture("systems"))), "causes": len(causes), "cautions": len(fixture("cautions"))}
    least = {"systems": 150, "causes": 120, "cautions": 18}
    assert {key: size for key, size in sizes.items() if size < least[key]} == {}
    assert 36 <= len(paths(fixture("platforms"))) <= 44
    assert (len(fixture("symptoms")), len(fixture("people")), truth().shop.months) == (30, 8, 36)
    jobs = Command().create_parser("manage.py", "demo").get_default("jobs")
    assert jobs == 3000
    met = {one.key for one in truth().procedures if one.share > 0}
    assert met == {key for key, flow in flows().items() if flow.symptoms}
    assert {edition.until for edition in truth().editions} == {0.5, 1}


def test_everything_named_is_in_the_fixtures() -> None:
    said, platforms = truth(), paths(fixture("platforms"))
    assert {one.platform for one in said.vehicles} <= platforms
    named = {node for one in said.procedures for node in (*one.platforms, *one.not_on)}
    named |= {node for one in said.procedures for nodes in one.facts.values() for node in nodes}
    assert named <= platforms
    roles = {person["name"]: Role(person["role"]) for person in fixture("people")}
    assert all(Right.WORK in RIGHTS[roles[person.name]] for person in said.technicians)
    assert {key for keys in said.meters.values() for key in keys} <= {meter["key"] for meter in fixture("meters")}
    symptoms = {symptom["key"] for symptom in fixture("symptoms")}
    assert {key for one in said.procedures for key in one.symptoms} <= symptoms
    assert {job.symptom for job in said.open_jobs} <= symptoms
    systems = paths(fixture("systems"))
    assert {other.cause.partition("#")[0] for one in said.procedures for other in one.elsewhere} <= systems


def test_codes_are_codes() -> None:
    for one in truth().procedures:
        assert [parse_trouble_code(code) for code in one.codes] == list(one.codes)


def test_every_kind_of_test_has_its_rates() -> None:
    kinds = {kind.value for kind in TestKind}
    assert set(truth().errors) == set(truth().skips) == kinds
    rates = [*truth().errors.values(), *truth().skips.values()]
    assert all(0 <= rate < 0.5 for rate in rates)


def test_causes_by_platform_and_time() -> None:
    said = ProcedureTruth(
        key="horn",
        causes={"hose-leak": 10.0, "radiator-leak": 4.0},
        platforms={"curlew": {"hose-leak": 2.0}, "curlew/dunlin": {"hose-leak": 3.0}, "curlew/dun": {"hose-leak": 9.0}},
        drift={"radiator-leak": 2.0},
    )
    flow = flows()["overheats-fan-silent"]
    hose, radiator = (flow.cause_by_key[key].identity for key in ("hose-leak", "radiator-leak"))
    assert cause_weights(said, flow, Circumstances("godwit/turnstone", 0.0)) == {hose: 10.0, radiator: 4.0}
    assert cause_weights(said, flow, Circumstances("curlew/dunlin/mk1", 0.5)) == {hose: 60.0, radiator: 6.0}


def test_facts_of_a_platform() -> None:
    said = ProcedureTruth(key="horn", facts={"kind": {"curlew": "diesel", "curlew/knot/mk1/teasel4": "petrol"}})
    assert fact(said, "kind", "curlew/knot/mk1/teasel4") == "petrol"
    assert fact(said, "kind", "curlew/knot/mk1/sedge4") == "diesel"
    assert fact(said, "kind", "godwit/redshank") == ""
    assert fact(said, "other", "curlew") == ""


def test_a_procedure_that_the_truth_does_not_know() -> None:
    flow = flows()["blower-only-top-speed"]
    without = truth().model_copy(update={"procedures": ()})
    said = without.of(flow)
    assert set(said.causes) == set(flow.cause_by_key)
    assert (said.causes["pack-open"], said.causes["panel-silent"], said.share) == (10.0, 1.0, 1.0)


def test_what_does_not_fit_is_said() -> None:
    said = ProcedureTruth(
        key="blower-only-top-speed",
        causes={"rust": 1.0},
        errors={"smell": 0.1},
        values={"speed": ("3",)},
        otherwise={"kind": {"neither": 1.0}},
    )
    wrong = truth().model_copy(update={"procedures": (said, ProcedureTruth(key="lamp-dim"))})
    found = list(misfits(wrong, flows()))
    assert found[0] == "blower-only-top-speed has no cause 'rust'."
    assert found[1] == "The truth does not say how often 'pack-open' of blower-only-top-speed is met."
    assert found[-4:] == [
        "blower-only-top-speed has no outcome 'neither' of a step 'kind'.",
        "blower-only-top-speed has no step 'smell'.",
        "blower-only-top-speed asks for no value 'speed'.",
        "There is no procedure 'lamp-dim'.",
    ]


def test_a_faulty_file_says_where(tmp_path: Path) -> None:
    whole = (DEMO / "truth.yaml").read_text(encoding="utf-8").replace("months: 36", "months: many")
    text = whole.partition("\nprocedures:")[0]
    path = tmp_path / "truth.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TruthError) as caught:
        read_truth(path)
    assert str(caught.value) == (
        "truth.yaml, shop.months: Input should be a valid integer, unable to parse string as an integer."
    )
