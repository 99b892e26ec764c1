"""A flow as DOT text."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.charts.branch_notes import BranchNote, evidence_text, possibility_text, rate_text
from shopkb.charts.dot import flow_dot
from shopkb.charts.dot_text import Chart, Node, label, left_label, lines_shown, record_label
from shopkb.charts.labels import proof_label
from shopkb.charts.lettering import clean
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.view import ChartOptions, edge_id
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step, TestKind
from tests.charts.drawing import HOSTILE, labelled, small
from tests.charts.sample import COMPONENTS, FAN, LINKS, NOTES, NOW, PATH, POSSIBLE, TITLES

SNAPSHOTS = Path(__file__).parent / "snapshots"


def attributes(dot: Chart, name: str) -> dict[str, str]:
    """The attributes of the node or the edge with this id."""
    (found,) = [part for part in (*dot.nodes, *dot.edges) if part.name == name]
    return dict(found.attributes)


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("fan", {}),
        ("fan-path", {"path": PATH, "now": NOW, "possible": POSSIBLE, "links": LINKS}),
    ],
)
def test_the_text_is_the_one_checked_by_hand(name: str, shown: dict[str, object]) -> None:
    dot = flow_dot(FAN, ChartOptions(notes=NOTES, titles=TITLES, components=COMPONENTS, **shown))  # type: ignore[arg-type]
    assert dot.source == (SNAPSHOTS / f"{name}.dot").read_text(encoding="utf-8")


def test_ids() -> None:
    assert edge_id("fuse", "blown") == "branch-fuse_blown"
    assert edge_id("a-b", "c") != edge_id("a", "b-c")


def test_a_branch_says_its_outcome_and_its_rate() -> None:
    shown = flow_dot(FAN, ChartOptions(notes=NOTES)).labels
    assert shown["branch-command-high_runs"] == ("fan runs", "8 of 10")
    assert shown["branch-command-low_silent"] == ("stays still", "6.5 of 7")
    assert shown["branch-warm-up_runs"] == ("fan runs",)  # taken, but no verified job


def test_the_pen_follows_the_traffic_from_one_to_four() -> None:
    dot = flow_dot(FAN, ChartOptions(notes=NOTES))
    assert attributes(dot, "branch-warm-up_silent")["penwidth"] == "4.0"  # 44 of at most 44
    assert attributes(dot, "branch-command-high_runs")["penwidth"] == "1.8"  # 11 of 44: 1 + 3 / 4 = 1.75
    assert attributes(dot, "branch-harness_low")["penwidth"] == "1.0"
    assert attributes(flow_dot(FAN), "branch-warm-up_silent")["penwidth"] == "1.0"


def test_every_end_says_its_proof() -> None:
    shown = flow_dot(FAN, ChartOptions(components=COMPONENTS, titles=TITLES)).labels
    assert shown["cause-heat-marks_terminal"] == ("fan connector,", "burnt terminal", "proof: seen")
    assert shown["cause-relay_relay"] == ("fan relay,", "burnt contacts", "proof: substituted")
    assert shown["cause-ground_ground"] == ("fan ground,", "high resistance", "proof: measured")
    assert shown["cause-command-low_sensor"] == ("coolant sensor,", "reads too cold", "by elimination")
    assert shown["hand-over-codes_coolant-sensor"] == ("go on with", "Coolant sensor circuit")
    assert shown["out-warm-up_runs"] == ("Complaint not", "present now.")


def test_elimination_is_dashed_and_said() -> None:
    dot = flow_dot(FAN)
    assert attributes(dot, "cause-command-low_sensor")["style"] == "rounded,filled,dashed"
    assert attributes(dot, "cause-command-low_sensor")["class"] == "cause terminator weak"
    assert attributes(dot, "branch-command-low_runs")["style"] == "dashed"
    assert attributes(dot, "cause-heat-marks_terminal")["style"] == "rounded,filled"


def test_a_cause_stands_beside_every_step_that_leads_to_it_with_the_proof_it_has_there() -> None:
    shown = flow_dot(FAN).labels
    assert shown["cause-harness_wiring"] == ("feed wire,", "broken strands", "proof: measured")
    assert shown["cause-resistor_wiring"] == ("feed wire,", "broken strands", "by elimination")


def test_a_cause_that_one_step_proves_in_two_ways_says_on_the_branch_which_is_the_guess() -> None:
    seen, guessed = (
        Outcome(key, key, Go(GoKind.CAUSE, "c"), proof=proof)
        for key, proof in (("seen", Proof.SEEN), ("left", Proof.ELIMINATION))
    )
    dot = flow_dot(small(seen, guessed, causes=(Cause("c", "body/horn", "open circuit"),)))
    assert dot.labels["cause-a_c"] == ("horn, open circuit", "proof: seen or by elimination")
    assert dot.labels["branch-a_left"] == ("left", "by elimination")
    assert dot.labels["branch-a_seen"] == ("seen",)
    assert attributes(dot, "cause-a_c")["class"] == "cause terminator"


def test_start_proven_cause_and_leaving_look_different() -> None:
    dot = flow_dot(FAN)
    looks = [
        (found.get("fillcolor", "paper"), found.get("penwidth", "1.3"))
        for found in (attributes(dot, name) for name in ("start", "cause-relay_relay", "out-warm-up_runs"))
    ]
    assert len(set(looks)) == 3


def test_a_cause_without_proof_says_so() -> None:
    flow = small(Outcome("x", "x", Go(GoKind.CAUSE, "c")), causes=(Cause("c", "body/horn", "open circuit"),))
    assert flow_dot(flow).labels["cause-a_c"] == ("horn, open circuit", "no proof given")


def test_where_a_job_stands_is_said_in_words_shape_and_colour() -> None:
    dot = flow_dot(FAN, ChartOptions(path=PATH, now=NOW))
    assert dot.labels["step-direct"][-1] == "you are here"
    now = attributes(dot, "step-direct")
    assert (now["fillcolor"], now["peripheries"]) == ("#F2B84B", "2")
    assert now["class"] == "step manual-operation now taken"


def test_the_path_is_heavy_and_the_rest_thin() -> None:
    dot = flow_dot(FAN, ChartOptions(notes=NOTES, path=PATH, now=NOW))
    heavy = [attributes(dot, edge_id(*branch)) for branch in PATH]
    thin = [
        attributes(dot, edge_id(step.key, outcome.key))
        for step in FAN.steps
        for outcome in step.outcomes
        if (step.key, outcome.key) not in PATH
    ]
    assert {edge["class"] for edge in heavy} == {"branch taken"}
    assert {edge["class"] for edge in thin} == {"branch thin", "branch thin weak"}
    # What is printed without colour must differ in width by far.
    assert min(float(edge["penwidth"]) for edge in heavy) > 4 * max(float(edge["penwidth"]) for edge in thin)
    assert attributes(dot, "step-fuse")["class"] == "step decision taken"
    assert attributes(dot, "step-relay")["class"] == "step manual-operation thin"
    assert attributes(dot, "cause-relay_relay")["class"] == "cause terminator thin"


def test_a_job_at_its_first_step_thins_nothing() -> None:
    dot = flow_dot(FAN, ChartOptions(now="warm-up"))
    assert "thin" not in dot.source
    assert dot.labels["step-warm-up"][-1] == "you are here"


def test_what_is_still_possible_stands_on_the_cause() -> None:
    shown = flow_dot(FAN, ChartOptions(possible=POSSIBLE)).labels
    assert shown["cause-relay_relay"][-1] == "still possible 0.34"
    assert shown["cause-command-low_sensor"][-1] == "by elimination"


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.0, "ruled out"),
        (0.001, "still possible, under 0.01"),
        (0.714, "still possible 0.71"),
        (0.999, "still possible, over 0.99"),
        (1.0, "still possible 1.00"),
    ],
)
def test_possible_words(probability: float, words: str) -> None:
    assert possibility_text(probability) == words


@pytest.mark.parametrize(
    ("note", "rate", "evidence"),
    [
        (None, "", "No jobs yet."),
        (BranchNote(0, 0, 0), "", "No jobs yet."),
        (BranchNote(0, 0, 3), "", "No verified jobs yet. Taken in 3."),
        (BranchNote(41, 30, 41), "30 of 41", "Right in 30 of 41 verified jobs."),
        (BranchNote(9, 6.46, 11, 0.4, 0.9), "6.5 of 9", "Right in 6.5 of 9 verified jobs, 40 to 90 %. Taken in 11."),
    ],
)  # fmt: skip
def test_evidence_in_words(note: BranchNote | None, rate: str, evidence: str) -> None:
    assert rate_text(note) == rate
    assert evidence_text(note) == evidence


@pytest.mark.parametrize(
    ("proofs", "words"),
    [
        ([Proof.SEEN, Proof.SEEN], "proof: seen"),
        ([Proof.ELIMINATION, Proof.SEEN, Proof.SUBSTITUTED], "proof: substituted or seen or by elimination"),
        ([Proof.ELIMINATION], "by elimination"),
        ([None], "no proof given"),
        ([None, Proof.MEASURED], "proof: measured or none given"),
    ],
)
def test_proof_in_words(proofs: list[Proof | None], words: str) -> None:
    assert proof_label(proofs) == words


def test_links_are_only_those_given() -> None:
    dot = flow_dot(FAN, ChartOptions(links={**LINKS, "hand-over coolant-sensor": "/procedures/coolant-sensor/"}))
    assert dot.source.count("URL=") == 3
    assert attributes(dot, "step-warm-up")["URL"] == LINKS["warm-up"]
    assert attributes(dot, "hand-over-codes_coolant-sensor")["URL"] == "/procedures/coolant-sensor/"


@pytest.mark.parametrize(
    "address",
    ["javascript:alert(1)", "//example.invalid/", "/\\example.invalid", "https://example.invalid/", "", "steps/1/",
     "/\t/example.invalid", "/a b", "/a\nb", "\\/x"],
)  # fmt: skip
def test_a_link_off_this_site_is_refused(address: str) -> None:
    with pytest.raises(ValueError, match="A chart links only to paths on this site") as caught:
        flow_dot(FAN, ChartOptions(links={"fuse": address}))
    expected = f"A chart links only to paths on this site, such as /procedures/horn/, not to {address!r}"
    assert str(caught.value) == expected


def chain(steps: int, outcomes: int = 1) -> Flow:
    made = [
        Step(f"s{i}", "x", TestKind.LOOK, tuple(Outcome(f"o{j}", "x", Go(GoKind.OUT)) for j in range(outcomes)))
        for i in range(steps)
    ]
    return Flow("chain", "Chain", "body", "s0", tuple(made))


def test_too_many_steps_are_refused_before_drawing() -> None:
    assert flow_dot(chain(200))
    with pytest.raises(ChartUnavailable) as caught:
        flow_dot(chain(201))
    assert caught.value.reason == (
        "The procedure has 201 steps; a chart holds 200. "
        "Move a part of it to a procedure of its own and hand over to it."
    )


def test_too_many_branches_are_refused_before_drawing() -> None:
    assert flow_dot(chain(100, 4))
    with pytest.raises(ChartUnavailable) as caught:
        flow_dot(chain(101, 4))
    assert caught.value.reason == (
        "The procedure has 404 branches; a chart holds 400. "
        "Move a part of it to a procedure of its own and hand over to it."
    )


def test_a_faulty_draft_is_drawn_with_its_faults() -> None:
    loop = Outcome("again", "again", Go(GoKind.STEP, "a"))
    typo = Outcome("typo", "typo", Go(GoKind.NOWHERE, "hron"))
    empty = Outcome("empty", "empty", Go(GoKind.NOWHERE))
    gone = Outcome("gone", "gone", Go(GoKind.STEP, "removed"))
    dot = flow_dot(replace(small(loop, typo, empty, gone), start=""))
    assert '"step-a" -> "step-a"' in dot.source
    assert dot.labels["nowhere-a_typo"] == ("leads nowhere: no", "step or cause hron")
    assert dot.labels["nowhere-a_empty"] == ("leads nowhere yet",)
    assert dot.labels["nowhere-a_gone"] == ("leads nowhere:", "no step or", "cause removed")
    assert dot.labels["no-first-step"] == ("no first step yet",)
    assert attributes(dot, "nowhere-a_typo")["class"] == "nowhere process"


def test_no_style_sheet_script_image_or_gradient_is_ever_asked_for() -> None:
    dot = flow_dot(labelled(HOSTILE), ChartOptions(notes=NOTES, possible=POSSIBLE))
    keys = {key for part in (*dot.nodes, *dot.edges) for key in part.attributes} | set().union(*dot.settings)
    assert keys <= {
        "label", "id", "class", "tooltip", "edgetooltip", "labeltooltip", "shape", "style", "margin", "fixedsize",
        "sides", "distortion", "width", "height", "fillcolor", "color", "fontcolor", "penwidth", "arrowsize",
        "peripheries", "fontname", "fontsize", "rankdir", "bgcolor", "nodesep", "ranksep", "pad",
    }  # fmt: skip


lines = st.lists(st.text(max_size=40), min_size=1, max_size=4)


@given(lines)
def test_what_is_escaped_is_one_statement_and_never_html(texts: list[str]) -> None:
    for text in (label(texts), left_label(texts), record_label(texts)):
        chart = Chart("g", (Node("n", {"label": text}, texts),), ())
        (statement,) = [line for line in chart.source.splitlines() if "id=" in line]
        assert "label=<" not in statement
        assert chart.labels == {"n": lines_shown(map(clean, texts))}


@given(st.text(max_size=60))
def test_control_characters_never_reach_graphviz(text: str) -> None:
    flow = labelled([text or "x"])
    dot = flow_dot(replace(flow, procedure=text, title=text))
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]", dot.source)
    # Start and lead-in, the step, its four branches, and the cause, the way out and the procedure they end at.
    assert len(dot.labels) == 2 + 1 + 4 + 3


def test_a_proof_belongs_to_causes_only() -> None:
    flow = small(Outcome("x", "x", Go(GoKind.OUT), proof=Proof.ELIMINATION))
    assert attributes(flow_dot(flow), "branch-a_x")["class"] == "branch"


def test_charts_with_equal_digests_have_equal_source() -> None:
    """A drawing is kept under the digest, so that no DOT text is written for a chart that was drawn before."""
    one, again = flow_dot(FAN), flow_dot(FAN)
    other = flow_dot(FAN, ChartOptions(now=FAN.start))
    assert one.digest == again.digest and one.source == again.source
    assert one.digest != other.digest and one.source != other.source
