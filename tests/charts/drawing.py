"""Small flows and one way to draw them, for the tests of the drawing."""

from __future__ import annotations

from xml.etree import ElementTree

from shopkb.charts.dot import flow_dot
from shopkb.charts.render import render
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step, TestKind

HOSTILE = (
    "back\\slash and \\n and \\N and \\G",
    'quote " and \\" and end \\',
    "<b>x</b>",
    "&amp; and & and &#60;",
    "&lt;5",
    "{a|b} <port> }{ ||",
    "N",
    "%s %d %(x)s",
    "fan \N{FIRE} \N{MAN}\N{ZERO WIDTH JOINER}\N{WRENCH} runs",
    "المروحة لا تعمل",
    "冷却风扇不转的时候请检查保险丝和继电器",
    "two\nlines\r\nand a\ttab",
    "Pneumonoultramicroscopicsilicovolcanoconiosis" * 3,
    "C:\\New\\GND",
    "\\\\server\\\\\\share",
    "javascript:alert(1)",
    "https://example.invalid/?a=1&b=2",
    "<!-- --> ]]> <script>x</script>",
    "'; [label=x]; a -> b",
    "e\N{COMBINING ACUTE ACCENT}a\N{COMBINING DIAERESIS}" * 20,
    "HTML:<table>",
)


def labelled(texts: tuple[str, ...] | list[str]) -> Flow:
    """A flow that shows every text as a step's title, a branch's label, a cause, a way out and a hand-over."""
    steps = []
    for index, text in enumerate(texts):
        kind = (TestKind.MEASURE, TestKind.SUBSTITUTE, TestKind.ACTION)[index % 3]
        onward = Go(GoKind.STEP, f"s{index + 1}") if index + 1 < len(texts) else Go(GoKind.CAUSE, "c0")
        outcomes = [Outcome("on", text, onward, proof=Proof.SEEN)]
        if kind is not TestKind.ACTION:
            outcomes.append(Outcome("end", text, Go(GoKind.CAUSE, f"c{index}"), proof=Proof.ELIMINATION))
            outcomes.append(Outcome("out", text, Go(GoKind.OUT), note=text))
            outcomes.append(Outcome("over", text, Go(GoKind.HAND_OVER, f"p{index}")))
        steps.append(Step(f"s{index}", text, kind, tuple(outcomes)))
    causes = tuple(Cause(f"c{index}", f"system/{text}", text) for index, text in enumerate(texts))
    return Flow("labels", texts[0], "system", "s0", tuple(steps), causes)


def small(*outcomes: Outcome, test: TestKind = TestKind.LOOK, causes: tuple[Cause, ...] = ()) -> Flow:
    """A flow of one step."""
    return Flow("small", "Small", "body", "a", (Step("a", "Look", test, outcomes),), causes)


def svg_of(flow: Flow) -> bytes:
    return render(
        flow_dot(flow, ChartOptions(titles={f"p{index}": step.title for index, step in enumerate(flow.steps)})), "svg"
    )


def elements(svg: bytes | str) -> ElementTree.Element:
    text = svg.decode() if isinstance(svg, bytes) else svg
    return ElementTree.fromstring(text[text.index("<svg") :])
