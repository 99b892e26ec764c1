"""Charts for pages and downloads: remembered by what they say, drawn outside transactions, never a failed page."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from threading import Thread

from django.conf import settings
from django.core.cache import cache
from django.utils.safestring import SafeString, mark_safe

from shopkb.catalog.models import System
from shopkb.charts.branch_notes import BranchNote
from shopkb.charts.dot import flow_dot
from shopkb.charts.dot_text import Chart
from shopkb.charts.outline import OutlineStep, outline
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.render import Form, inline_svg, render
from shopkb.core.flow import editing
from shopkb.core.flow.model import Flow
from shopkb.procedures.models import Procedure

KEEP_SECONDS = 24 * 60 * 60
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class ChartOptions:
    """What is shown of a flow beside the flow itself."""

    notes: Mapping[tuple[str, str], BranchNote] = field(default_factory=dict)
    path: Sequence[tuple[str, str]] = ()
    now: str = ""
    links: Mapping[str, str] = field(default_factory=dict)
    possible: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DrawnChart:
    """A chart for a page: the drawing, or the reason why there is none, and the same content as a nested list."""

    svg: SafeString
    reason: str
    outline: tuple[OutlineStep, ...]


def chart_of(flow: Flow, look: ChartOptions) -> Chart:
    """The chart, not drawn yet. Two queries: titles of procedures handed over to, names of components.

    Raises:
        ChartUnavailable: too many steps or branches.
    """
    return _chart(flow, look, _names(flow))


def draw_chart(flow: Flow, look: ChartOptions) -> DrawnChart:
    """The chart for a page. A drawing that fails leaves the list and says why."""
    names = _names(flow)
    listed = outline(
        flow,
        look.notes,
        look.path,
        look.now,
        titles=names.procedures,
        possible=look.possible,
        components=names.components,
    )
    try:
        svg = inline_svg(chart_bytes(_chart(flow, look, names), "svg"))
    except ChartUnavailable as error:
        return DrawnChart(mark_safe(""), str(error), listed)
    return DrawnChart(mark_safe(svg), "", listed)  # noqa: S308 - our own renderer's output, checked by inline_svg


def chart_bytes(chart: Chart, form: Form) -> bytes:
    """The drawing, from memory when the same was drawn before.

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


@dataclass(frozen=True, slots=True)
class _Names:
    procedures: dict[str, str]
    components: dict[str, str]


def _names(flow: Flow) -> _Names:
    """Titles of procedures handed over to, names of components: at most two queries."""
    handed = {outcome.go.key for _step, outcome in flow.branches if outcome.go.kind == "hand-over"}
    paths = {cause.component for cause in flow.causes}
    return _Names(
        dict(Procedure.objects.filter(key__in=handed).values_list("key", "title")) if handed else {},
        dict(System.objects.filter(path__in=paths).values_list("path", "name")) if paths else {},
    )


def _chart(flow: Flow, look: ChartOptions, names: _Names) -> Chart:
    return flow_dot(
        flow,
        notes=look.notes,
        path=look.path,
        now=look.now,
        links=look.links,
        titles=names.procedures,
        possible=look.possible,
        components=names.components,
    )
