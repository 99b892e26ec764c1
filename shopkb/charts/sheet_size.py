"""The sheet a chart is printed on."""

from __future__ import annotations

from shopkb.charts.shapes import TEXT_SIZE

MARGIN = 0.39  # inches, 10 mm
SLACK = 0.02  # inches; a page is rounded up to whole points
LEAST_TEXT = 7.0  # points; smaller letters cannot be read at the vehicle
# ISO 216, A4 to A0, in inches. All have one ratio, so that a printer that has only A4 shrinks a larger one to fit.
SHEETS = ((8.27, 11.69), (11.69, 16.54), (16.54, 23.39), (23.39, 33.11), (33.11, 46.81))


def room_for(width: float, height: float) -> tuple[float, float]:
    """Inches across and down inside the margins of the least sheet, A4 first, on which a chart stays legible.

    A sheet stands upright unless that alone makes the letters too small. What is too large even for A0 gets A0 and
    is shrunk to it.

    Args:
        width: of the chart at full size, in points.
        height: likewise.
    """
    room = (0.0, 0.0)
    for short, long in SHEETS:
        for across, down in ((short, long), (long, short)):
            room = (across - 2 * MARGIN - SLACK, down - 2 * MARGIN - SLACK)
            scale = min(room[0] * 72 / width, room[1] * 72 / height)
            if scale * TEXT_SIZE >= LEAST_TEXT:
                return room
    return room if width > height else (room[1], room[0])
