"""Charts for pages and downloads: remembered by what they say, drawn outside transactions, never a failed page."""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256
from threading import Thread
from typing import NamedTuple

from django.conf import settings
from django.core.cache import cache
from django.http import QueryDict
from django.utils.safestring import SafeString, mark_safe

from shopkb.accounts.slots import Slots, TooBusy
from shopkb.catalog.models import Access, Caution, System
from shopkb.charts.cards import card_chart
from shopkb.charts.dot_text import Chart
from shopkb.charts.drawings import DRAWING_NAMES, Drawing, chart_as
from shopkb.charts.folding import blocks, folded
from shopkb.charts.outline import OutlineStep, outline
from shopkb.charts.printing import Paper, cut_sheets, print_sheets
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.render import Form, inline_svg, render
from shopkb.charts.view import ChartOptions
from shopkb.core.flow import editing
from shopkb.core.flow.model import Flow
from shopkb.core.flow.names import last_part
from shopkb.core.identifiers import KEY_FORM
from shopkb.procedures.models import Procedure

MOST_FOLDS = 100
_KEY = re.compile(f"fold-(?:{KEY_FORM})")
KEEP_SECONDS = 24 * 60 * 60
log = logging.getLogger(__name__)

drawing_slots = Slots(
    "You, or enough other people, have a form or chart on the way. Try again when it is there.",
    at_once=2,
    waiting=1,
    seconds=10,
    each=2,
)
"""Files of charts and forms on paper: a second each, and more on a small computer."""

page_slots = Slots(
    "Other charts are being drawn just now. Load the page again in a moment.", at_once=2, waiting=2, seconds=5
)
"""Charts of pages that are not remembered; each choice of folded parts is a drawing of its own. Apart from the slots of
files, as a file may draw within its own."""


class FoldLink(NamedTuple):
    """A link that folds or opens a part of a chart: its name, how many steps it has, whether it is folded."""

    name: str
    steps: int
    query: str
    is_folded: bool


class DrawingLink(NamedTuple):
    """A link to another drawing of the same: its name, its query, and whether it is the one shown."""

    name: str
    query: str
    shown: bool


@dataclass(frozen=True, slots=True)
class DrawnChart:
    """A chart for a page: the drawing, or the reason why there is none, and the same content as a nested list."""

    svg: SafeString
    reason: str
    outline: tuple[OutlineStep, ...]
    drawing: Drawing = Drawing.WIDE
    has_notes: bool = False
    has_path: bool = False
    has_now: bool = False
    has_changes: bool = False
    folds: tuple[FoldLink, ...] = ()
    fold_query: str = ""

    @property
    def links(self) -> list[DrawingLink]:
        """To each drawing of the flow."""
        return [
            DrawingLink(name, f"?drawing={each}{self.fold_query}", each is self.drawing)
            for each, name in DRAWING_NAMES.items()
        ]


def drawing_asked(query: Mapping[str, str], default: Drawing) -> Drawing:
    """The drawing that an address asks for, else the default."""
    asked = query.get("drawing", "")
    return Drawing(asked) if asked in set(Drawing) else default


def chart_of(flow: Flow, options: ChartOptions, drawing: Drawing = Drawing.WIDE) -> Chart:
    """The chart, not drawn yet. Four queries: titles of procedures handed over to, names of components and of set-up
    states, signal words of cautions.

    Raises:
        ChartUnavailable: too many steps or branches.
    """
    return chart_as(flow, drawing, _with_names(flow, options))


def draw_chart(
    flow: Flow, options: ChartOptions, drawing: Drawing = Drawing.WIDE, fold: Folding | None = None
) -> DrawnChart:
    """The chart for a page. Where drawing fails, the nested list is there alone, with the reason.

    ``fold`` offers folding by circuit; a folded card opens when it is pressed. One query more.
    """
    named = _with_names(flow, options)
    listed = outline(flow, named)
    shown, view, links = (flow, named, ()) if fold is None else _folded(flow, named, drawing, fold)
    kept = "".join(f"&fold={key}" for key in view.folds)
    try:
        chart = chart_as(shown, drawing, view)
        svg = _inline(chart, flow.title or flow.procedure)
    except ChartUnavailable as error:
        return DrawnChart(mark_safe(""), str(error), listed, drawing)
    safe = mark_safe(svg)  # noqa: S308 - our own renderer's output, checked by inline_svg
    return DrawnChart(
        safe,
        "",
        listed,
        drawing,
        has_notes=bool(options.notes),
        has_path=bool(options.path),
        has_now=options.now in flow.step_by_key,
        has_changes=bool(options.changes),
        folds=links,
        fold_query=kept,
    )


def _inline(chart: Chart, title: str) -> str:
    """The drawing made fit for a page, cached beside the drawing itself: checking 60 cards takes 20 ms.

    Raises:
        ChartUnavailable: as :func:`chart_bytes`, and where enough others are being drawn.
    """
    key = f"chart:inline:{chart.digest}:{sha256(title.encode()).hexdigest()}"
    cached = cache.get(key)
    if cached is None:
        try:
            with page_slots.taken():
                cached = inline_svg(chart_bytes(chart, "svg"), title, chart.zoomed_out)
        except TooBusy as error:
            raise ChartUnavailable(str(error)) from error
        cache.set(key, cached, KEEP_SECONDS)
    return str(cached)


@dataclass(frozen=True, slots=True)
class Folding:
    """What an address asks to be folded: keys of blocks, on the page of this path."""

    path: str
    keys: tuple[str, ...] = ()

    @property
    def query(self) -> str:
        """What it adds to an address."""
        return "".join(f"&fold={key}" for key in self.keys)

    def without(self, *keys: str) -> Folding:
        return replace(self, keys=tuple(key for key in self.keys if key not in keys))

    def also(self, *keys: str) -> Folding:
        return replace(self, keys=(*self.without(*keys).keys, *keys))


def folding_asked(path: str, query: QueryDict) -> Folding:
    """The blocks that an address names. What names none is left out."""
    return Folding(path, tuple(dict.fromkeys(key for key in query.getlist("fold") if _KEY.fullmatch(key)))[:MOST_FOLDS])


def _folded(
    flow: Flow, named: ChartOptions, drawing: Drawing, fold: Folding
) -> tuple[Flow, ChartOptions, tuple[FoldLink, ...]]:
    found = blocks(flow)
    fold = replace(fold, keys=tuple(block.key for block in found if block.key in fold.keys))
    circuits = dict(System.objects.filter(path__in={block.circuit for block in found}).values_list("path", "name"))
    links = []
    for block in found:
        is_folded = block.key in fold.keys
        after = fold.without(block.key) if is_folded else fold.also(block.key)
        name = circuits.get(block.circuit) or last_part(block.circuit)
        first = flow.number_by_step[block.steps[0]]
        links.append(
            FoldLink(f"{name}, from step {first}", len(block.steps), f"?drawing={drawing}{after.query}", is_folded)
        )
    opened = {block.key: f"{fold.path}?drawing={drawing}{fold.without(block.key).query}" for block in found}
    shown, view = folded(flow, replace(named, circuits=circuits, links={**named.links, **opened}), fold.keys)
    return shown, view, tuple(links)


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


def sheets_bytes(flow: Flow, chart: Chart, paper: Paper, title: str) -> bytes:
    """A chart drawn top down as a PDF of sheets, cached as :func:`chart_bytes` is.

    Raises:
        ChartUnavailable: Graphviz is missing, failed or took too long.
    """
    key = f"sheets:{paper}:{chart.digest}:{sha256(title.encode()).hexdigest()}"
    cached = cache.get(key)
    if cached is None:
        cached = print_sheets(flow, chart, paper, title, seconds=settings.DRAWING_SECONDS)
        cache.set(key, cached, KEEP_SECONDS)
    return bytes(cached)


def sheet_steps(flow: Flow, chart: Chart, paper: Paper, title: str) -> tuple[tuple[str, ...], ...]:
    """Keys of the steps on each sheet of :func:`sheets_bytes`, in order, cached as that is.

    Raises:
        ChartUnavailable: Graphviz is missing, failed or took too long.
    """
    key = f"cuts:{paper}:{chart.digest}:{sha256(title.encode()).hexdigest()}"
    cached: tuple[tuple[str, ...], ...] | None = cache.get(key)
    if cached is None:
        found = cut_sheets(flow, chart, paper, title, seconds=settings.DRAWING_SECONDS)
        cached = tuple(sheet.steps for sheet, _svg in found)
        cache.set(key, cached, KEEP_SECONDS)
    return cached


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
        render(card_chart(flow), "svg", seconds=FIRST_SECONDS)
    except ChartUnavailable as error:
        log.warning("Charts: %s %s", error, error.detail)


SIGNALS = ("DANGER", "WARNING", "CAUTION", "NOTICE")
"""ANSI Z535.6, the gravest first."""


def _with_names(flow: Flow, options: ChartOptions) -> ChartOptions:
    """With the titles of procedures handed over to, the names of components and set-up states, and each step's gravest
    signal word: at most four queries."""
    handed = {outcome.go.key for _step, outcome in flow.branches if outcome.go.kind == "hand-over"}
    paths = {cause.component for cause in flow.causes}
    states = {step.access for step in flow.steps if step.access}
    return replace(
        options,
        titles=dict(Procedure.objects.filter(key__in=handed).values_list("key", "title")) if handed else {},
        components=dict(System.objects.filter(path__in=paths).values_list("path", "name")) if paths else {},
        access=dict(Access.objects.filter(key__in=states).values_list("key", "name")) if states else {},
        signals=_signals(flow),
    )


def _signals(flow: Flow) -> dict[str, str]:
    """The gravest signal word of each step that has a caution. One query where any has one."""
    keys = {key for step in flow.steps for key in step.cautions}
    known = dict(Caution.objects.filter(key__in=keys).values_list("key", "signal")) if keys else {}
    words = {step.key: [known[key] for key in step.cautions if key in known] for step in flow.steps}
    return {step: min(of_step, key=SIGNALS.index) for step, of_step in words.items() if of_step}
