"""Drawings made in a child process, read back and made fit for a page."""

from __future__ import annotations

import re
import stat
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.charts import render as rendering
from shopkb.charts.dot import flow_dot
from shopkb.charts.dot_text import Chart
from shopkb.charts.lettering import clean
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.render import inline_svg, render, texts
from shopkb.charts.svg import ends, full_size
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Go, GoKind, Outcome, Step, TestKind
from tests.charts.drawing import HOSTILE, elements, labelled, small, svg_of
from tests.charts.sample import COMPONENTS, FAN, LINKS, NOTES, NOW, PATH, POSSIBLE, TITLES
from tests.examples import examples

FAN_DOT = flow_dot(FAN, ChartOptions(notes=NOTES, titles=TITLES, components=COMPONENTS))
FAN_PATH_DOT = flow_dot(
    FAN,
    ChartOptions(notes=NOTES, titles=TITLES, components=COMPONENTS, path=PATH, now=NOW, possible=POSSIBLE, links=LINKS),
)
SVG = "{http://www.w3.org/2000/svg}"
A4_POINTS = (595.28, 841.89)  # ISO 216: 210 mm x 297 mm
MARGIN = 28.08  # points, 10 mm


def joined(shown: tuple[str, ...]) -> str:
    return "".join(shown).replace(" ", "")


def without_spaces(text: str) -> str:
    return clean(text).replace(" ", "")


@pytest.mark.parametrize("dot", [FAN_DOT, FAN_PATH_DOT, flow_dot(labelled(HOSTILE))])
def test_drawing_gives_no_warning(dot: Chart) -> None:
    (command, *_) = rendering._commands("svg")
    child = rendering._run(command, dot.source.encode(), 30.0)
    said = [line for line in child.stderr.decode().splitlines() if not line.startswith("Fontconfig")]
    assert (child.returncode, said) == (0, [])


def test_what_graphviz_says_does_not_reach_users(capfd: pytest.CaptureFixture[str]) -> None:
    render(FAN_DOT, "svg")
    assert capfd.readouterr() == ("", "")


def test_the_drawn_branches_are_those_of_the_flow() -> None:
    drawn = ends(render(FAN_DOT, "svg"))
    wanted = {"lead-in": ("start", "step-warm-up")}
    for step in FAN.steps:
        for outcome in step.outcomes:
            go = outcome.go
            prefix = {"step": "step", "cause": "cause", "hand-over": "hand-over"}.get(go.kind.value, "")
            beside = "" if prefix == "step" else f"{step.key}_"
            head = f"{prefix}-{beside}{go.key}" if prefix else f"out-{step.key}_{outcome.key}"
            wanted[f"branch-{step.key}_{outcome.key}"] = (f"step-{step.key}", head)
    assert drawn == wanted


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_text_is_drawn_as_it_is(text: str) -> None:
    shown = texts(svg_of(labelled((text,) * 3)))
    for index in range(3):
        assert joined(shown[f"step-s{index}"]) == f"{index + 1}" + without_spaces(text)
    assert joined(shown["branch-s0_on"]) == without_spaces(text)
    component = without_spaces(text.rsplit("/", 1)[-1].replace("-", " "))
    assert joined(shown["cause-s0_c0"]) == f"{component},{without_spaces(text)}byelimination"
    assert joined(shown["hand-over-s0_p0"]) == "goonwith" + without_spaces(text)


plain = st.text(alphabet=st.characters(codec="utf-8"), min_size=1, max_size=80).filter(clean)
tricky = st.text(alphabet='\\"<>&;{}|nNlrGELT#%/:-> ', min_size=1, max_size=30).filter(clean)


@given(st.lists(plain | tricky | st.sampled_from(HOSTILE), min_size=1, max_size=12))
@settings(max_examples=examples(40))
def test_any_label_gives_one_node_that_shows_it(written: list[str]) -> None:
    svg = svg_of(labelled(written))
    shown = texts(svg)
    for index, text in enumerate(written):
        assert joined(shown[f"step-s{index}"]) == f"{index + 1}" + without_spaces(text)
        assert joined(shown[f"branch-s{index}_on"]) == without_spaces(text)
    root = elements(svg)
    nodes = [group.get("id") for group in root.iter(f"{SVG}g") if "step" in group.get("class", "").split()]
    assert nodes == [f"step-s{index}" for index in range(len(written))]
    assert_harmless(root)
    assert_harmless(elements(inline_svg(svg)))


def assert_harmless(root: object) -> None:
    for element in root.iter():  # type: ignore[attr-defined]
        assert element.tag.removeprefix(SVG) in {"svg", "g", "a", "title", "text", "path", "polygon", "polyline"}
        for key in element.attrib:
            name = key.rpartition("}")[2].lower()
            assert not name.startswith("on")
            assert name not in {"style", "href", "src"}


def test_links_stay_on_this_site_and_nothing_else_is_a_link() -> None:
    page = elements(inline_svg(render(FAN_PATH_DOT, "svg")))
    found = {link.get("{http://www.w3.org/1999/xlink}href") for link in page.iter(f"{SVG}a")}
    assert found == set(LINKS.values())


def test_inline_drawing_is_a_named_image() -> None:
    svg = inline_svg(render(FAN_DOT, "svg"))
    assert svg.startswith("<svg ")
    assert "<?xml" not in svg and "<!DOCTYPE" not in svg and "<!--" not in svg
    root = elements(svg)
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "chart-title"
    assert (root[0].tag, root[0].get("id"), root[0].text) == (f"{SVG}title", "chart-title", "Radiator fan does not run")


def test_inline_drawing_takes_a_name() -> None:
    root = elements(inline_svg(render(FAN_DOT, "svg"), "Chart of revision 3 <b>"))
    assert root[0].text == "Chart of revision 3 <b>"


def test_links_in_a_drawing_can_be_reached() -> None:
    # Children of role img are presentational (WAI-ARIA 1.2, 5.2.9), so that links in one would be lost.
    assert elements(inline_svg(render(FAN_PATH_DOT, "svg"))).get("role") == "group"


def test_the_words_over_a_node_or_branch_are_words_not_keys() -> None:
    root = elements(inline_svg(render(FAN_DOT, "svg")))
    said = {group.get("id"): group.findtext(f"{SVG}title") for group in root.iter(f"{SVG}g") if group.get("class")}
    assert said["step-fuse"] == "Step 5, look: Fuse F12 blown?"
    assert said["cause-direct_motor-open"] == "fan motor, open circuit. Correction: Fit a new motor."
    assert said["branch-fuse_blown"] == "blown: Right in 2 of 4 verified jobs, 15 to 85 %."
    assert said["start"] == "Start: Radiator fan does not run"


@pytest.mark.parametrize(
    "inside",
    ["<script>1</script>", '<g onclick="1"/>', '<g style="fill:red"/>', '<g fill="url(#a)"/>', "<foreignObject/>",
     '<a xlink:href="javascript:1"/>', '<a xlink:href="//example.invalid"/>', '<a href="https://example.invalid"/>',
     '<image href="/x.png"/>', "<style>*{}</style>"],
)  # fmt: skip
def test_a_drawing_that_holds_more_than_shapes_is_refused(inside: str) -> None:
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">{inside}</svg>'
    with pytest.raises(ChartUnavailable) as caught:
        inline_svg(svg.encode())
    assert caught.value.reason == "The chart is not safe to show."


def test_a_broken_drawing_is_refused() -> None:
    with pytest.raises(ChartUnavailable) as caught:
        texts(b"<svg><g></svg>")
    assert caught.value.reason == "The chart could not be drawn."


def test_a_wrong_text_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = render(FAN_DOT, "svg").replace(b">5", b">6")
    monkeypatch.setattr(rendering, "_drawn", lambda *_: wrong)
    with pytest.raises(ChartUnavailable) as caught:
        render(FAN_DOT, "svg")
    assert caught.value.reason == "The chart came out with a wrong text and is not shown."
    assert "step-fuse" in caught.value.detail


def test_every_label_is_compared() -> None:
    assert texts(render(FAN_DOT, "svg")) == FAN_DOT.labels
    assert len(FAN_DOT.labels) == 1 + 14 + 13 + 1 + 27  # start, steps, ends, lead-in, branches


@pytest.mark.parametrize(("form", "mark"), [("svg", b"<?xml"), ("pdf", b"%PDF-"), ("png", b"\x89PNG\r\n\x1a\n")])
def test_forms(form: rendering.Form, mark: bytes) -> None:
    assert render(FAN_DOT, form).startswith(mark)


def pdf_size(pdf: bytes) -> tuple[float, float]:
    box = re.search(rb"/MediaBox \[ ?([\d.]+) ([\d.]+) ([\d.]+) ([\d.]+)", pdf)
    assert box is not None
    left, low, right, high = map(float, box.groups())
    return right - left, high - low


A3_POINTS = (841.89, 1190.55)  # ISO 216: 297 mm x 420 mm


@pytest.mark.parametrize(("dot", "least"), [(FAN_DOT, 7.0), (FAN_PATH_DOT, 7.0)])
def test_fourteen_steps_are_legible_on_a3(dot: str, least: float) -> None:
    """All letters are 12 points; what the page is scaled by, they are too."""
    width, height = pdf_size(render(dot, "pdf"))
    assert width <= A3_POINTS[0]
    assert height <= A3_POINTS[1]
    drawn = elements(render(dot, "svg")).get("height", "")
    assert {size.get("font-size") for size in elements(render(dot, "svg")).iter(f"{SVG}text")} == {"12.00"}
    assert 12 * (height - 2 * MARGIN) / float(drawn.removesuffix("pt")) >= least


def test_a_wide_chart_lies_on_a_larger_sheet_and_stays_legible() -> None:
    flow = small(*(Outcome(f"o{index}", "fan stays still", Go(GoKind.OUT)) for index in range(9)))
    dot = flow_dot(flow)
    width, height = pdf_size(render(dot, "pdf"))
    drawn = full_size(render(dot, "svg"))[0]
    assert 12 * (width - 2 * MARGIN) / drawn >= 6.5
    assert width > height
    assert width <= 1190.55  # A3 landscape, ISO 216: 420 mm


def test_a_small_chart_is_not_blown_up() -> None:
    flow = small(Outcome("x", "x", Go(GoKind.OUT)))
    width, height = pdf_size(render(flow_dot(flow), "pdf"))
    svg = elements(render(flow_dot(flow), "svg"))
    drawn = [float(svg.get(side, "").removesuffix("pt")) + 2 * MARGIN for side in ("width", "height")]
    assert [width, height] == pytest.approx(drawn, abs=1.5)


def test_faulty_drafts_are_drawn() -> None:
    loop = Outcome("again", "again", Go(GoKind.STEP, "a"))
    nowhere = Outcome("typo", "typo", Go(GoKind.NOWHERE, "hron"))
    back = Step("b", "Back", TestKind.LISTEN, (Outcome("back", "back", Go(GoKind.STEP, "a")),))
    flow = small(loop, nowhere, Outcome("b", "on", Go(GoKind.STEP, "b")))
    flow = replace(flow, steps=(*flow.steps, back, Step("alone", "Alone", TestKind.FEEL, ())), start="missing")
    drawn = ends(render(flow_dot(flow), "svg"))
    assert drawn == {
        "lead-in": ("start", "no-first-step"),
        "branch-a_again": ("step-a", "step-a"),
        "branch-a_typo": ("step-a", "nowhere-a_typo"),
        "branch-a_b": ("step-a", "step-b"),
        "branch-b_back": ("step-b", "step-a"),
    }


def test_an_empty_draft_is_drawn() -> None:
    flow = replace(FAN, steps=(), causes=())
    assert set(texts(render(flow_dot(flow), "svg"))) == {"start", "no-first-step", "lead-in"}


# Graphviz missing, failing or slow


@pytest.fixture
def no_pygraphviz(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without site-packages the child cannot import pygraphviz."""
    monkeypatch.setattr(rendering, "PYTHON", (sys.executable, "-I", "-S"))


@pytest.fixture
def fake_dot(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A ``dot`` program on the path, which the test fills."""
    monkeypatch.setenv("PATH", str(tmp_path))
    program = tmp_path / "dot"
    program.touch()
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


def test_without_graphviz_the_reason_is_given(no_pygraphviz: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    with pytest.raises(ChartUnavailable) as caught:
        render(FAN_DOT, "svg")
    assert str(caught.value) == "Charts need Graphviz, and this computer has none."


def test_the_dot_program_stands_in(no_pygraphviz: None, fake_dot: Path, tmp_path: Path) -> None:
    real = Path(rendering.__file__).with_name("draw_process.py")
    fake_dot.write_text(
        f"#!{sys.executable} -I\nimport runpy, sys\n"
        f"open({str(tmp_path / 'seen')!r}, 'w').write(' '.join(sys.argv[1:]))\n"
        "form, *settings = [given[2:] for given in sys.argv[1:]]\n"
        f"sys.argv = ['draw', form, *settings]\nrunpy.run_path({str(real)!r}, run_name='__main__')\n",
        encoding="utf-8",
    )
    assert texts(render(FAN_DOT, "svg")) == FAN_DOT.labels
    assert (tmp_path / "seen").read_text() == "-Tsvg"
    assert render(FAN_DOT, "pdf").startswith(b"%PDF-")
    assert (tmp_path / "seen").read_text() == "-Tpdf -Gsize=10.89,15.74 -Gmargin=0.39 -Gbgcolor=white"


@pytest.mark.parametrize("script", ["echo no font >&2; exit 1", "exit 0", "kill -SEGV $$", "echo Syntax error"])
def test_a_failed_drawing_is_told_plainly(no_pygraphviz: None, fake_dot: Path, script: str) -> None:
    fake_dot.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    with pytest.raises(ChartUnavailable) as caught:
        render(FAN_DOT, "svg")
    assert caught.value.reason == "The chart could not be drawn."
    assert caught.value.detail.startswith("status ")


def test_a_program_that_cannot_be_started_is_told_plainly(no_pygraphviz: None, fake_dot: Path) -> None:
    fake_dot.write_text("#!/nonexistent/shell\n", encoding="utf-8")
    with pytest.raises(ChartUnavailable) as caught:
        render(FAN_DOT, "svg")
    assert caught.value.reason == "The chart could not be drawn."


def test_a_chart_that_takes_too_long_is_stopped() -> None:
    """A tangle inside the caps that Graphviz takes far more than a second over."""
    steps = tuple(
        Step(f"s{i}", "x", TestKind.LOOK, tuple(
            Outcome(f"o{j}", "x", Go(GoKind.STEP, f"s{(i * 37 + j * 101 + 1) % 200}")) for j in range(2)
        )) for i in range(200)
    )  # fmt: skip
    dot = flow_dot(replace(FAN, steps=steps, start="s0", causes=()))
    with pytest.raises(ChartUnavailable) as caught:
        render(dot, "svg", seconds=0.25)
    assert caught.value.reason == "The chart took longer than 0.25 seconds to draw and was stopped."


def test_bad_dot_is_told_plainly() -> None:
    chart = replace(FAN_DOT)
    vars(chart)["source"] = "digraph {"
    with pytest.raises(ChartUnavailable) as caught:
        render(chart, "svg")
    assert caught.value.reason == "The chart could not be drawn."
