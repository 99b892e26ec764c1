"""What the desk says of a faulty draft: in the words of the page, never in those of the file."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from django.template.loader import get_template

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.checks.catalog_view import Catalog, CautionView
from shopkb.core.flow.fields import file_fields
from shopkb.core.flow.findings import CheckFinding
from shopkb.core.flow.model import Flow, Go, GoKind, Proof, ReadingSpec, Step, TestKind
from shopkb.core.readings.bands import parse_band
from shopkb.procedures.desk.finding_text import FIELDS, HINTS, desk_finding
from tests.core.diagnosis.flows import horn

CATALOG = Catalog(
    systems={"body/horn/horn": frozenset({"self-starting-fan"})},
    cautions={"fan-starts-itself": CautionView("fan-starts-itself", "WARNING", frozenset({"self-starting-fan"}))},
)
VOLTS = ReadingSpec("voltage", "V")


def changed(step: str, outcome: str = "", step_values: dict[str, object] | None = None, **values: object) -> Flow:
    """The horn with one step, or one of its outcomes, changed."""

    flow = horn()
    held = flow.step_by_key[step]
    outcomes = tuple(replace(one, **values) if one.key == outcome else one for one in held.outcomes)  # type: ignore[arg-type]
    now = replace(held, **{"outcomes": outcomes, **(step_values or {})})  # type: ignore[arg-type]
    return replace(flow, steps=tuple(now if one.key == step else one for one in flow.steps))


def said(flow: Flow, identity: str) -> CheckFinding:
    found = next(one for one in check_flow(flow, CATALOG) if one.id == identity)
    return desk_finding(flow, found, CATALOG)


FAULTY = {
    "start-missing": replace(horn(), start=""),
    "go-nowhere": changed("ground", "bad", go=Go(GoKind.NOWHERE), proof=None),
    "end-without-proof": changed("ground", "bad", proof=None),
    "step-without-outcomes": changed("direct", step_values={"outcomes": ()}),
    "loop": changed("ground", "good", go=Go(GoKind.STEP, "press")),
    "needs-not-passed": changed("press", step_values={"needs": ("ground",)}),
    "needs-unknown": changed("press", step_values={"needs": ("gone",)}),
    "reading-missing": changed("ground", step_values={"reading": None}),
    "bands-partial": changed("ground", "good", {"reading": VOLTS}, band=parse_band("< 0.2 V")),
    "band-without-reading": changed("ground", "good", band=parse_band("< 0.2 V")),
    "value-undefined": changed("ground", "good", {"reading": VOLTS}, band=parse_band("< battery")),
    "power-without-isolation": changed("direct", step_values={"test": TestKind.POWER_DIRECTLY}),
    "test-decides-nothing": changed("ground", "bad", go=Go(GoKind.STEP, "direct"), proof=None),
    "proof-without-end": changed("ground", "good", proof=Proof.SEEN),
    "hazard-uncovered": horn(),
}


@pytest.mark.parametrize("identity", FAULTY)
def test_the_desk_names_no_key_and_no_field_of_the_file(identity: str) -> None:
    found = said(FAULTY[identity], identity)
    text = f"{found.message}. {found.hint} {found.where}"
    assert not re.search(r"\b[a-z]+:(\s|$)", found.hint)  # as in "Add proof: seen"
    assert not re.search(r"'[a-z-]+'", text) or identity in {"value-undefined", "needs-unknown"}
    assert "key" not in text.lower()
    assert "hand-over" not in text
    assert "steps." not in text


def test_it_says_which_outcome_of_which_step_and_where_to_mend_it() -> None:
    found = said(FAULTY["go-nowhere"], "go-nowhere")
    assert (found.message, found.where) == ("“Drop too high” leads nowhere", "“Drop too high”, Leads to")
    assert found.hint == "Choose under “Leads to” a step, a cause, another procedure, or out."
    assert said(FAULTY["loop"], "loop").message == (
        "This branch closes a loop: Press the horn button > Voltage at the horn connector > "
        "Voltage drop of the horn ground > Press the horn button"
    )
    assert said(horn(), "hazard-uncovered").hint == "Add the caution fan starts itself."
    assert said(FAULTY["test-decides-nothing"], "test-decides-nothing").message.endswith("“Power the horn directly”")


def test_every_name_it_gives_a_field_stands_on_the_desk() -> None:
    """A label that was changed on the page would leave the hints pointing at nothing."""
    pages = "".join(
        get_template(f"procedures/desk/{name}.html").template.source  # type: ignore[attr-defined]
        for name in ("_card", "_rest", "_value", "_picture")
    )
    pages += "".join(each.spec.more for each in file_fields(Step))
    names = {name for hint in HINTS.values() for name in re.findall("“([^”]+)”", hint)} | {*FIELDS.values()}
    assert {name for name in names if name not in pages and name != "From, to"} == set()
