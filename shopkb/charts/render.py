"""DOT to a drawing, in a child process with a time limit.

pygraphviz in a child Python comes first, then a ``dot`` program on the path. Either way what comes back is checked:
Graphviz may draw a text wrongly without saying so.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from shopkb.charts.dot_text import Chart
from shopkb.charts.draw_process import NOT_INSTALLED
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.sheet_size import MARGIN, room_for
from shopkb.charts.svg import full_size, inline_svg, texts

__all__ = ["ChartUnavailable", "Form", "inline_svg", "render", "texts"]

Form = Literal["svg", "pdf", "png"]

PYTHON: tuple[str, ...] = (sys.executable, "-I")
FONTS = {
    "FONTCONFIG_FILE": str(Path(__file__).with_name("fonts") / "fonts.conf"),
    "XDG_DATA_HOME": str(Path(__file__).parent),
}
"""The pages' own typeface, so that a chart is measured, shown and printed with the same letters everywhere."""
_MARKS = {"svg": b"<svg", "pdf": b"%PDF", "png": b"\x89PNG"}


def render(chart: Chart, form: Form, *, seconds: float = 5.0) -> bytes:
    """Draw a chart made by :func:`shopkb.charts.dot.flow_dot`.

    Every node and branch must show exactly the text that went in, or there is no chart. A PDF fits A4 portrait if
    that leaves it legible, else the least larger sheet (:mod:`shopkb.charts.sheet_size`).

    Args:
        chart: the graph.
        form: svg, pdf or png.
        seconds: limit for laying out once. A PDF or PNG is laid out twice, first as the SVG that is checked.

    Raises:
        ChartUnavailable: Graphviz is missing, failed, took too long or drew a text wrongly.
    """
    dot = chart.source.encode("utf-8")
    svg = _drawn(dot, "svg", (), seconds)
    if wrong := _wrong_texts(chart, svg):
        raise ChartUnavailable("The chart came out with a wrong text and is not shown.", detail=f"texts of {wrong}")
    return svg if form == "svg" else _drawn(dot, form, _settings(form, svg), seconds)


def _settings(form: Form, svg: bytes) -> tuple[str, ...]:
    """Attributes of the whole graph for a form that is not shown in a page."""
    if form != "pdf":
        return ("bgcolor=white",)
    across, down = room_for(*full_size(svg))
    return (f"size={across:.2f},{down:.2f}", f"margin={MARGIN}", "bgcolor=white")


def _drawn(dot: bytes, form: Form, settings: Sequence[str], seconds: float) -> bytes:
    for command in _commands(form, settings):
        child = _run(command, dot, seconds)
        if child.returncode == NOT_INSTALLED and command[0] == PYTHON[0]:
            continue
        if child.returncode != 0 or _MARKS[form] not in child.stdout[:2000]:
            detail = f"status {child.returncode}: {child.stderr.decode('utf-8', 'replace')}"
            raise ChartUnavailable("The chart could not be drawn.", detail)
        return child.stdout
    raise ChartUnavailable("Charts need Graphviz, and this computer has none.")


def _commands(form: Form, settings: Sequence[str] = ()) -> list[Sequence[str]]:
    """The programs to try, in order."""
    commands: list[Sequence[str]] = [[*PYTHON, str(Path(__file__).with_name("draw_process.py")), form, *settings]]
    if program := shutil.which("dot"):
        commands.append([program, f"-T{form}", *(f"-G{setting}" for setting in settings)])
    return commands


def _run(command: Sequence[str], dot: bytes, seconds: float) -> subprocess.CompletedProcess[bytes]:
    try:
        # The command is ours throughout; what people typed goes in on standard input, quoted.
        return subprocess.run(  # noqa: S603
            command, input=dot, capture_output=True, timeout=seconds, check=False, env=os.environ | FONTS
        )
    except subprocess.TimeoutExpired as error:
        reason = f"The chart took longer than {seconds:g} seconds to draw and was stopped."
        raise ChartUnavailable(reason) from error
    except OSError as error:
        raise ChartUnavailable("The chart could not be drawn.", str(error)) from error


def _wrong_texts(chart: Chart, svg: bytes) -> list[str]:
    wanted, found = chart.labels, texts(svg)
    return sorted(key for key in wanted.keys() | found.keys() if wanted.get(key) != found.get(key))
