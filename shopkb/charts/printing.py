"""A chart as a PDF of A4 or A3 sheets whose letters can be read."""

from __future__ import annotations

import io
from enum import StrEnum

from pypdf import PageObject, PdfReader, PdfWriter, Transformation

from shopkb.charts.dot_text import Chart
from shopkb.charts.inks import EVIDENCE_SIZE
from shopkb.charts.render import render
from shopkb.charts.sheets import Cutting, Sheet, Size, sheets
from shopkb.charts.svg import full_size, node_sizes
from shopkb.core.flow.model import Flow

MILLIMETRE = 72 / 25.4
MARGIN = 10 * MILLIMETRE
LEAST_LETTERS = 7.0  # points; smaller ones cannot be read at the vehicle
SMALLEST = EVIDENCE_SIZE
GAPS: Size = (22.0, 28.0)
ROUNDS, MORE = 12, 1.06


class Paper(StrEnum):
    """A size of sheet, as an address says it."""

    A4 = "a4"
    A3 = "a3"


# ISO 216, in points, upright: charts grow downward.
SIZES: dict[Paper, Size] = {
    Paper.A4: (210 * MILLIMETRE, 297 * MILLIMETRE),
    Paper.A3: (297 * MILLIMETRE, 420 * MILLIMETRE),
}


def cut_sheets(
    flow: Flow, chart: Chart, paper: Paper, title: str, *, seconds: float = 5.0
) -> list[tuple[Sheet, bytes]]:
    """The sheets of a chart drawn top down, each with its SVG, cut so that the smallest letters have 7 points.

    What Graphviz makes of a part is known only when it is drawn: where sheets come out too large, the chart is cut anew
    with what is known of them. A single step larger than a sheet is shrunk to it.

    Raises:
        ChartUnavailable: Graphviz is missing, failed or took too long.
    """
    across, down = SIZES[paper]
    scale = LEAST_LETTERS / SMALLEST
    room = ((across - 2 * MARGIN) / scale, (down - 2 * MARGIN) / scale)
    cutting = Cutting(flow, chart, node_sizes(render(chart, "svg", seconds=seconds)), GAPS)
    drawn: dict[str, bytes] = {}
    found: list[tuple[Sheet, bytes]] = []
    for _ in range(ROUNDS):
        found = []
        for sheet in sheets(cutting, room, title):
            key = sheet.chart.digest
            if key not in drawn:
                drawn[key] = render(sheet.chart, "svg", seconds=seconds)
            found.append((sheet, drawn[key]))
            cutting.known[sheet.place] = full_size(drawn[key])
        if all(len(sheet.steps) == 1 or _fits(full_size(svg), room) for sheet, svg in found):
            break
        cutting.caution *= MORE
    return found


def print_sheets(flow: Flow, chart: Chart, paper: Paper, title: str, *, seconds: float = 5.0) -> bytes:
    """The PDF, one page for each sheet, nothing enlarged.

    Raises:
        ChartUnavailable: Graphviz is missing, failed or took too long.
    """
    across, down = SIZES[paper]
    written = PdfWriter()
    for sheet, _ in cut_sheets(flow, chart, paper, title, seconds=seconds):
        (drawn,) = PdfReader(io.BytesIO(render(sheet.chart, "pdf", seconds=seconds))).pages
        wide, high = float(drawn.mediabox.width), float(drawn.mediabox.height)
        scale = min(1.0, (across - 2 * MARGIN) / wide, (down - 2 * MARGIN) / high)
        page = PageObject.create_blank_page(width=across, height=down)
        place = Transformation().scale(scale).translate(MARGIN, down - MARGIN - high * scale)
        page.merge_transformed_page(drawn, place)
        written.add_page(page)
    written.add_metadata({"/Title": title})
    file = io.BytesIO()
    written.write(file)
    return file.getvalue()


def _fits(size: Size, room: Size) -> bool:
    return size[0] <= room[0] and size[1] <= room[1]
