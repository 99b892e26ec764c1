"""Charts for pages and downloads: remembered by what they say, drawn outside transactions, never a failed page."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from threading import Thread

from django.conf import settings
from django.core.cache import cache
from django.utils.safestring import SafeString, mark_safe

from shopkb.catalog.models import System
from shopkb.charts.dot import flow_dot
from shopkb.charts.dot_text import Chart
from shopkb.charts.outline import OutlineStep, outline
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.render import Form, inline_svg, render
from shopkb.charts.view import ChartOptions
from shopkb.core.flow import editing
from shopkb.core.flow.model import Flow
from shopkb.procedures.models import Procedure

KEEP_SECONDS = 24 * 60 * 60
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class DrawnChart:
    """A chart for a page: the drawing, or the reason why there is none, and the same content as a nested list."""

    svg: SafeString
    reason: str
    outline: tuple[OutlineStep, ...]


def chart_of(flow: Flow, options: ChartOptions) -> Chart:
    """The chart, not drawn yet. Two queries: titles of procedures handed over to, names of components.

    Raises:
        ChartUnavailable: too many steps or branches.
    """
    return flow_dot(flow, _with_names(flow, options))


def draw_chart(flow: Flow, options: ChartOptions) -> DrawnChart:
    """The chart for a page. Where drawing fails, the nested list is there alone, with the reason."""
    named = _with_names(flow, options)
    listed = outline(flow, named)
    try:
        svg = inline_svg(chart_bytes(flow_dot(flow, named), "svg"))
    except ChartUnavailable as error:
        return DrawnChart(mark_safe(""), str(error), listed)
    return DrawnChart(mark_safe(svg), "", listed)  # noqa: S308 - our own renderer's output, checked by inline_svg


def chart_bytes(chart: Chart, form: Form) -> bytes:
    """The drawing, cached by the SHA-256 of its DOT text.

    In Django's cache, not in :mod:`shopkb.evidence.cache`: the key says all that the drawing depends on, so it is never
    stale, and a shared cache may hold it for all processes.

    Raises:
        ChartUnavailable: Graphviz is missing, failed or took too long.
    """
    key = f"chart:{form}:{chart.digest}"
    cached = cache.get(key)
    if cached is None:
        cached = render(chart, form, seconds=settings.DRAWING_SECONDS)
        cache.set(key, cached, KEEP_SECONDS)
    return bytes(cached)


FIRST_SECONDS = 60


def draw_first_chart() -> Thread:
    """Draw one small chart in the background. The first drawing after a start reads some 100 MB of Graphviz and its
    libraries from the disk, which came near the limit on a slow one: no page shall be the one that waits for it."""
    thread = Thread(target=_draw_one, name="first chart", daemon=True)
    thread.start()
    return thread


def _draw_one() -> None:
    flow = editing.add_step(editing.new_flow("first", "First", "first"), "step", "Step")
    try:
        render(flow_dot(flow), "svg", seconds=FIRST_SECONDS)
    except ChartUnavailable as error:
        log.warning("Charts: %s %s", error, error.detail)


def _with_names(flow: Flow, options: ChartOptions) -> ChartOptions:
    """With the titles of procedures handed over to and the names of components: at most two queries."""
    handed = {outcome.go.key for _step, outcome in flow.branches if outcome.go.kind == "hand-over"}
    paths = {cause.component for cause in flow.causes}
    return replace(
        options,
        titles=dict(Procedure.objects.filter(key__in=handed).values_list("key", "title")) if handed else {},
        components=dict(System.objects.filter(path__in=paths).values_list("path", "name")) if paths else {},
    )
