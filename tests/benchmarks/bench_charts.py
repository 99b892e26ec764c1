"""What a chart costs beside its bare layout: ``python -m tests.benchmarks.bench_charts``.

Bare means the same DOT text laid out and written as SVG with nothing around it: in this process (Graphviz loaded
already, as no server may have it), and in a child of its own. Ours adds writing the DOT, the check of every text and
the inlining. Milliseconds of processor time, children included, best of the rounds, so that a busy computer matters
little. Goal: 1.5 times the bare layout for 60 steps.
"""

from __future__ import annotations

import os
import random
import resource
from collections.abc import Callable

from pygraphviz import AGraph

from shopkb.charts import render as rendering
from shopkb.charts.branch_notes import BranchNote
from shopkb.charts.drawings import Drawing, chart_as
from shopkb.charts.outline import outline
from shopkb.charts.render import inline_svg, render
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step, TestKind

ROUNDS = 9


def branching(steps: int, seed: int) -> Flow:
    """A made-up procedure: each step leads to one of the next three, and to a cause or another of the next three."""
    choice = random.Random(seed)
    made = []
    for index in range(steps):
        ahead = [f"s{index + ahead}" for ahead in (1, 2, 3) if index + ahead < steps] or ["c0"]
        first, second = choice.choice(ahead), choice.choice(ahead)
        goes = [first, second if choice.random() < 0.4 else f"c{choice.randrange(steps // 3)}"]
        outcomes = tuple(
            Outcome(
                f"o{place}",
                "fan stays still",
                Go(GoKind.CAUSE if key[0] == "c" else GoKind.STEP, key),
                None,
                Proof.SEEN,
            )
            for place, key in enumerate(goes)
        )
        made.append(Step(f"s{index}", "Feed at the connector, under load", choice.choice(list(TestKind)), outcomes))
    causes = tuple(Cause(f"c{index}", f"cooling/fan/part-{index}", "open circuit") for index in range(steps // 3))
    return Flow("bench", "Radiator fan does not run", "cooling/fan", "s0", tuple(made), causes)


def spent() -> float:
    """Processor seconds of this process and the children it has waited for."""
    usages = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(usage.ru_utime + usage.ru_stime for usage in usages)


def milliseconds(work: Callable[[], object]) -> float:
    """Best of the rounds."""
    taken = []
    for _ in range(ROUNDS):
        start = spent()
        work()
        taken.append((spent() - start) * 1000)
    return min(taken)


def measured(steps: int, drawing: Drawing) -> str:
    """One row of the table."""
    flow = branching(steps, seed=steps)
    keys = [(step.key, outcome.key) for step in flow.steps for outcome in step.outcomes]
    notes = {key: BranchNote(41, 30, 44, 0.58, 0.84) for key in keys}
    dot = chart_as(flow, drawing, ChartOptions(notes=notes))
    svg = render(dot, "svg", seconds=60)
    command = rendering._commands("svg")[0]
    here = milliseconds(lambda: AGraph(string=dot.source).draw(format="svg", prog="dot"))
    child = milliseconds(lambda: rendering._run(command, dot.source.encode(), 60))
    text = milliseconds(lambda: chart_as(flow, drawing, ChartOptions(notes=notes)).source)
    drawn = milliseconds(lambda: render(dot, "svg", seconds=60))
    inlined = milliseconds(lambda: inline_svg(svg, "Chart", dot.zoomed_out))
    listed = milliseconds(lambda: outline(flow, ChartOptions(notes=notes)))
    ours = text + drawn + inlined
    figures = [here, child, text, drawn, inlined, listed, ours]
    row = "".join(f"{figure:9.1f}" for figure in figures)
    return f"{drawing:12}{steps:5}{len(keys):9}{row}{ours / child:11.2f}{ours / here:10.2f}"


def main() -> None:
    os.environ.update(rendering.FONTS)
    print(f"{'':29}bare                ours                                   ratio of ours to bare")
    columns = "steps branches     here    child      DOT   render   inline  outline    total   in child      here"
    print(f"{'drawing':12}{columns}")
    for steps in (14, 60, 120, 200):
        for drawing in Drawing:
            print(measured(steps, drawing))


if __name__ == "__main__":
    main()
