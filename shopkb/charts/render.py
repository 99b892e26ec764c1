"""DOT to a drawing, in a child process with a time limit.

pygraphviz in a child Python comes first, then a ``dot`` program on the path. Either way what comes back is checked:
Graphviz may draw a text wrongly without saying so.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from shopkb.charts.dot_text import labels
from shopkb.charts.draw import NOT_INSTALLED
from shopkb.charts.limits import ChartUnavailable
from shopkb.charts.svg import inline_svg, texts

__all__ = ["ChartUnavailable", "Form", "inline_svg", "render", "texts"]

Form = Literal["svg", "pdf", "png"]

A4_MARGIN = 0.39  # inches, 10 mm
A4_ROOM = "7.48,10.9"  # inches of A4 portrait (ISO 216) inside the margins; a larger chart is scaled down to it
SETTINGS: dict[Form, tuple[str, ...]] = {
    "svg": (),
    "pdf": (f"size={A4_ROOM}", f"margin={A4_MARGIN}", "bgcolor=white"),
    "png": ("bgcolor=white",),
}
PYTHON: tuple[str, ...] = (sys.executable, "-I")
_MARKS = {"svg": b"<svg", "pdf": b"%PDF", "png": b"\x89PNG"}


def render(dot: str, form: Form, *, seconds: float = 5.0) -> bytes:
    """Draw DOT text written by :func:`shopkb.charts.dot.flow_dot`.

    A PDF fits A4 portrait. An SVG is checked: every node and branch must show exactly the text that went in.

    Args:
        dot: the graph.
        form: svg, pdf or png.
        seconds: limit for the whole drawing.

    Raises:
        ChartUnavailable: Graphviz is missing, failed, took too long or drew a text wrongly.
    """
    drawing = _drawn(dot.encode("utf-8"), form, seconds)
    if form == "svg" and (wrong := _wrong_texts(dot, drawing)):
        raise ChartUnavailable("The chart came out with a wrong text and is not shown.", detail=f"texts of {wrong}")
    return drawing


def _drawn(dot: bytes, form: Form, seconds: float) -> bytes:
    for command in _commands(form):
        child = _run(command, dot, seconds)
        if child.returncode == NOT_INSTALLED and command[0] == PYTHON[0]:
            continue
        if child.returncode != 0 or _MARKS[form] not in child.stdout[:2000]:
            detail = f"status {child.returncode}: {child.stderr.decode('utf-8', 'replace')}"
            raise ChartUnavailable("The chart could not be drawn.", detail)
        return child.stdout
    raise ChartUnavailable("Charts need Graphviz, and this computer has none.")


def _commands(form: Form) -> list[Sequence[str]]:
    """The programs to try, in order."""
    settings = SETTINGS[form]
    commands: list[Sequence[str]] = [[*PYTHON, str(Path(__file__).with_name("draw.py")), form, *settings]]
    if program := shutil.which("dot"):
        commands.append([program, f"-T{form}", *(f"-G{setting}" for setting in settings)])
    return commands


def _run(command: Sequence[str], dot: bytes, seconds: float) -> subprocess.CompletedProcess[bytes]:
    try:
        # The command is ours throughout; what people typed goes in on standard input, quoted.
        return subprocess.run(command, input=dot, capture_output=True, timeout=seconds, check=False)  # noqa: S603
    except subprocess.TimeoutExpired as error:
        reason = f"The chart took longer than {seconds:g} seconds to draw and was stopped."
        raise ChartUnavailable(reason) from error
    except OSError as error:
        raise ChartUnavailable("The chart could not be drawn.", str(error)) from error


def _wrong_texts(dot: str, svg: bytes) -> list[str]:
    wanted, found = labels(dot), texts(svg)
    return sorted(key for key in wanted.keys() | found.keys() if wanted.get(key) != found.get(key))
