"""A flow as cards: what stands on them, which arrows are left, and that no typed text is read as anything else."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.charts.branch_notes import BranchNote, evidence_line, interval_text, share_text
from shopkb.charts.card_rows import limit_text
from shopkb.charts.cards import card_chart
from shopkb.charts.dot_text import Chart
from shopkb.charts.html_label import HtmlLabel, Line, cell, html_label, table
from shopkb.charts.inks import SIGNAL_GROUND, THEMED
from shopkb.charts.lettering import clean, printable, set_width, telling_words, wrap_to
from shopkb.charts.render import inline_svg, render, texts
from shopkb.charts.svg import ends
from shopkb.charts.view import ChartOptions
from shopkb.charts.way import busiest_way
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Proof, Step, TestKind
from shopkb.core.readings.bands import parse_band
from tests.charts.drawing import HOSTILE, elements, labelled, small
from tests.charts.sample import COMPONENTS, FAN, LINKS, NOTES, NOW, PATH, POSSIBLE, TITLES
from tests.examples import examples

SVG = "{http://www.w3.org/2000/svg}"
SEEN = ChartOptions(notes=NOTES, titles=TITLES, components=COMPONENTS)
ON_THE_WAY = replace(SEEN, path=PATH, now=NOW, possible=POSSIBLE, links=LINKS)
BOTH = pytest.mark.parametrize("top_down", [False, True], ids=["across", "down"])


def attributes(chart: Chart, name: str) -> dict[str, str]:
    (found,) = [part for part in (*chart.nodes, *chart.edges) if part.name == name]
    return dict(found.attributes)


def onward(flow: Flow) -> list[tuple[Step, Outcome]]:
    return [(step, outcome) for step, outcome in flow.branches if outcome.go.kind is GoKind.STEP]


@BOTH
def test_every_card_says_its_step_and_every_row_its_outcome(top_down: bool) -> None:
    shown = card_chart(FAN, SEEN, top_down=top_down).labels
    assert set(shown) >= {f"step-{step.key}" for step in FAN.steps}
    for step in FAN.steps:
        words = " ".join(shown[f"step-{step.key}"])
        assert words.startswith(f"{FAN.number_by_step[step.key]} {step.title}")
        assert all(outcome.label in words for outcome in step.outcomes)
    assert shown["step-fuse"] == (
        "5", "Fuse F12 blown?", "look",
        "whole", *(("→ 6",)), evidence_line(NOTES["fuse", "whole"], 27),
        "blown", "by elimination", "fan motor, seized", evidence_line(NOTES["fuse", "blown"], 27),
        *(("↓ 6",) if top_down else ()),
    )  # fmt: skip


def test_across_every_outcome_that_leads_on_has_its_own_arrow_and_nothing_else_has() -> None:
    drawn = ends(render(card_chart(FAN, SEEN), "svg"))
    assert drawn == {
        f"branch-{step.key}_{outcome.key}": (f"step-{step.key}", f"step-{outcome.go.key}")
        for step, outcome in onward(FAN)
    }


def test_down_outcomes_that_lead_to_the_same_step_share_one_arrow() -> None:
    outcomes = [Outcome(key, key, Go(GoKind.STEP, "b")) for key in ("low", "right")]
    flow = small(*outcomes, Outcome("gone", "gone", Go(GoKind.OUT)))
    flow = replace(flow, steps=(*flow.steps, Step("b", "Next", TestKind.LOOK, ())))
    assert len(card_chart(flow).edges) == 2
    down = card_chart(flow, top_down=True)
    assert [edge.name for edge in down.edges] == ["branch-a_low"]
    assert "low; right: step 2" in attributes(down, "branch-a_low")["edgetooltip"]
    assert down.labels["step-a"][-1] == "↓ 2"


@BOTH
def test_an_end_names_its_cause_and_proof_in_the_row_weak_proof_dashed(top_down: bool) -> None:
    chart = card_chart(FAN, SEEN, top_down=top_down)
    assert {"substituted", "fan relay, burnt contacts"} <= set(chart.labels["step-relay"])
    assert "by elimination" in chart.labels["step-command-low"]
    dashed = {node.name for node in chart.nodes if 'STYLE="dashed"' in node.attributes["label"]}
    weak = {
        f"step-{step.key}"
        for step, outcome in FAN.branches
        if outcome.go.kind is GoKind.CAUSE and outcome.proof in (None, Proof.ELIMINATION)
    }
    assert dashed == weak
    assert any("go on with: Coolant sensor circuit" in line for line in chart.labels["step-codes"])
    assert any("leave: Complaint not present now." in line for line in chart.labels["step-warm-up"])


def test_the_head_says_kind_minutes_access_and_the_signal_word() -> None:
    step = replace(FAN.steps[0], minutes=4.0, access="bonnet-open")
    flow = replace(FAN, steps=(step, *FAN.steps[1:]))
    shown = card_chart(
        flow, ChartOptions(access={"bonnet-open": "Bonnet open, engine cold"}, signals={step.key: "DANGER"})
    )
    assert shown.labels["step-warm-up"][:7] == (
        "1", "Warm up to fan-on", "temperature, watch the gauge", "look", "4 min", "DANGER", "Bonnet open, engine cold",
    )  # fmt: skip
    assert SIGNAL_GROUND["DANGER"] in attributes(shown, "step-warm-up")["label"]
    assert card_chart(flow).labels["step-warm-up"][5] == "bonnet open"


def test_signal_colours_stand_behind_signal_words_alone_and_no_other_colour_tells_good_from_bad() -> None:
    used = Counter(re.findall(r"#[0-9A-Fa-f]{6}", card_chart(FAN, ON_THE_WAY).source))
    assert not set(used) & set(SIGNAL_GROUND.values())
    assert {color.upper() for color in used} <= set(THEMED)


def test_the_spine_is_the_way_most_jobs_went() -> None:
    spine = busiest_way(FAN, NOTES)
    assert spine[:3] == (("warm-up", "silent"), ("codes", "none"), ("command-high", "silent"))
    chart = card_chart(FAN, SEEN)
    straight = [edge.name for edge in chart.edges if "spine" in edge.attributes["class"]]
    assert straight == [
        f"branch-{step}_{outcome}" for step, outcome in sorted(spine, key=lambda one: FAN.number_by_step[one[0]])
    ]
    assert {attributes(chart, name)["weight"] for name in straight} == {"40"}
    assert busiest_way(FAN, {})[0] == ("warm-up", "silent")


def test_a_loop_of_a_draft_ends_the_spine() -> None:
    flow = small(Outcome("again", "again", Go(GoKind.STEP, "a")), Outcome("typo", "typo", Go(GoKind.NOWHERE, "hron")))
    assert busiest_way(flow, {}) == (("a", "again"),)
    shown = card_chart(flow).labels["step-a"]
    assert "leads nowhere: no step or cause hron" in shown
    assert busiest_way(replace(flow, start="gone"), {}) == ()
    assert texts(render(card_chart(replace(flow, start="gone")), "svg"))


@BOTH
def test_the_way_of_a_job_is_heavy_and_the_rest_thin(top_down: bool) -> None:
    chart = card_chart(FAN, ON_THE_WAY, top_down=top_down)
    pens = {edge.name: (edge.attributes["class"].split(), float(edge.attributes["penwidth"])) for edge in chart.edges}
    heavy = [pen for marks, pen in pens.values() if "taken" in marks]
    thin = [pen for marks, pen in pens.values() if "thin" in marks]
    assert len(heavy) == len(PATH) and len(heavy) + len(thin) == len(pens)
    assert min(heavy) > 4 * max(thin)
    assert attributes(chart, "step-direct")["class"] == "step card now taken"
    assert "you are here" in chart.labels["step-direct"]
    assert attributes(chart, "step-relay")["class"] == "step card thin"


def test_what_is_still_possible_stands_beside_the_cause() -> None:
    assert "still possible 0.34" in card_chart(FAN, ON_THE_WAY).labels["step-relay"]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_text_is_drawn_as_it_is(text: str) -> None:
    chart = card_chart(labelled((text,) * 3))
    shown = texts(render(chart, "svg"))
    joined = "".join(shown["step-s0"]).replace(" ", "").replace("\N{WORD JOINER}", "")
    assert joined.startswith("1" + clean(text).replace(" ", ""))
    assert shown == chart.labels


@given(st.lists(st.text(min_size=1, max_size=60) | st.sampled_from(HOSTILE), min_size=1, max_size=6))
@settings(max_examples=examples(25))
def test_any_label_gives_one_card_that_shows_it_and_nothing_active(written: list[str]) -> None:
    chart = card_chart(labelled(written), top_down=True)
    svg = render(chart, "svg")
    assert texts(svg) == chart.labels
    page = elements(inline_svg(svg, "x", chart.zoomed_out))
    assert {each.tag.removeprefix(SVG) for each in page.iter()} <= {
        "svg", "g", "a", "title", "text", "path", "polygon", "polyline",
    }  # fmt: skip


@given(st.text(), st.text())
def test_typed_text_is_never_an_element_of_a_label(one: str, other: str) -> None:
    made = html_label(table([cell([Line(one, 12, "#000000"), Line(other, 12, "#000000", bold=True)], port=other)]))
    assert isinstance(made, HtmlLabel)
    read = ElementTree.fromstring(made[1:-1])
    ends = [each for each in read.iter() if each.tag in ("FONT", "B") and not len(each)]
    said = [(each.text or "").replace("\\\N{WORD JOINER}", "\\") for each in ends]
    assert said == [printable(text).replace("\r", "\n") for text in (one, other)]
    assert Counter(each.tag for each in read.iter()) == {"TABLE": 1, "TR": 1, "TD": 1, "FONT": 2, "B": 1, "BR": 1}


def test_far_away_a_card_shows_its_number_and_three_words() -> None:
    chart = card_chart(FAN, SEEN)
    assert chart.zoomed_out["step-warm-up"] == ("1", "Warm", "up", "fan-on")
    page = elements(inline_svg(render(chart, "svg"), "Fan", chart.zoomed_out))
    far = [group for group in page.iter(f"{SVG}g") if group.get("class") == "far"]
    assert len(far) == len(FAN.steps)
    assert all(group.get("aria-hidden") == "true" for group in far)


@pytest.mark.parametrize("title", [".", "...", "()", "\N{ZERO WIDTH SPACE}"])
def test_a_title_without_a_word_leaves_its_number_far_away(title: str) -> None:
    chart = card_chart(labelled((title,)))
    inline_svg(render(chart, "svg"), "x", chart.zoomed_out)


@pytest.mark.parametrize(
    ("title", "words"),
    [
        ("Voltage lost on the high-speed feed, under load", ("Voltage", "lost", "high-speed")),
        ("Is it of the", ("Is", "it", "of")),
        ("", ()),
    ],
)
def test_words_that_tell(title: str, words: tuple[str, ...]) -> None:
    assert telling_words(title) == words


@pytest.mark.parametrize(
    ("note", "total", "line"),
    [
        (BranchNote(41, 30, 412, 0.581, 0.836), 687, "412 jobs, 60 %; right 30 of 41, 58 to 84 %"),
        (BranchNote(0, 0, 1), 687, "1 job, under 1 %"),
        (BranchNote(1, 0.5, 7), 7, "7 jobs, 100 %; right 0.5 of 1"),
    ],
)
def test_a_row_says_how_many_and_how_often_right(note: BranchNote, total: int, line: str) -> None:
    assert evidence_line(note, total) == line


def test_a_branch_that_rules_nothing_out_says_what_the_first_repair_cured() -> None:
    """From the warm-up every cause can still be found: that it lies behind the branch is no news."""
    note = BranchNote(41, 41, 44, 0.9, 1.0, verified=41, cured_first=30)
    shown = card_chart(FAN, ChartOptions(notes={("warm-up", "silent"): note, ("fuse", "whole"): note}))
    assert "44 jobs, 100 %; first repair cured 30 of 41" in shown.labels["step-warm-up"]
    assert "44 jobs, 100 %; right 41 of 41, 90 to 100 %" in shown.labels["step-fuse"]
    assert evidence_line(BranchNote(0, 0, 3), 3, tells=False) == "3 jobs, 100 %"


def test_shares_and_intervals_are_never_rounded_to_a_certainty() -> None:
    assert share_text(0.999) == "over 99 %"
    assert interval_text(0.991, 0.999) == "99 to 100 %"


def test_limits_are_written_with_signs() -> None:
    said = {
        ">= 11 V": "≥ 11 V",
        "<= 0.2 V": "≤ 0.2 V",
        "1 ohm .. 1.4 ohm": "1 ohm to 1.4 ohm",
        "over-limit": "over-limit",
    }
    for typed, shown in said.items():
        assert limit_text(Outcome("a", "a", Go(GoKind.OUT), band=parse_band(typed))) == shown


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=80), st.integers(40, 300))
def test_lines_fit_the_room_they_are_given(text: str, points: int) -> None:
    lines = wrap_to(text, points, 12)
    assert "".join(lines).replace(" ", "") == clean(text).replace(" ", "")
    assert all(set_width(line, 12) <= points or len(line.split()) == 1 for line in lines)
