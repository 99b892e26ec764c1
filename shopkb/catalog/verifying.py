"""Whether a tree is whole, and how it is mended.

``parent`` is the truth; ``path`` and the nested-set numbers (``tree_id``, ``lft``, ``rght``, ``level``) follow from
it. Parent loops come first: the library's rebuild starts from the roots and never sees them.

Nested sets as kept here have no gaps: a root spans 1 to 2n for its n nodes, a leaf spans two numbers, and children
fill their parent's span one after the other (Celko, *Trees and Hierarchies in SQL*, nested set model).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from shopkb.catalog.models import Platform, System
from shopkb.catalog.trees import locked

Progress = Callable[[str], None]


def quiet(_line: str) -> None:
    """Progress for those who want none."""


@dataclass(frozen=True, slots=True)
class NodeRow:
    """One row of a tree as stored."""

    id: int
    parent_id: int | None
    key: str
    path: str
    tree_id: int
    lft: int
    rght: int
    level: int


@dataclass(frozen=True, slots=True)
class TreeFinding:
    """One thing wrong. ``id`` is one of parent-loop, parent-missing, no-root, tree-shared, tree-mixed, wrong-level,
    wrong-span, wrong-path; ``node`` the row's id, ``path`` its path as stored."""

    id: str
    node: int
    path: str
    message: str


@dataclass(frozen=True, slots=True)
class Cut:
    """One link to change before numbering: ``node`` goes under ``parent`` (None: becomes a root) as ``key``."""

    node: int
    parent: int | None
    key: str
    words: str


@dataclass(frozen=True, slots=True)
class TreeReport:
    """What was looked at, what is wrong now, and what was (or, in a dry run, would be) done about it."""

    tree: str
    nodes: int
    findings: tuple[TreeFinding, ...]
    repairs: tuple[str, ...] = ()


def verify(tree: type[System] | type[Platform], progress: Progress = quiet) -> TreeReport:
    """Read one tree and say what is wrong with it. Changes nothing."""
    rows = read_rows(tree)
    name = str(tree._meta.verbose_name_plural)
    progress(f"Checking {len(rows)} {name}.")
    return TreeReport(name, len(rows), findings_in(rows))


def repair(tree: type[System] | type[Platform], *, dry_run: bool = False, progress: Progress = quiet) -> TreeReport:
    """Cut loops (:func:`cuts_for`), number the tree anew and write its paths; then look again.

    The report's findings are what is left afterwards, or in a dry run what was found.
    """
    with locked(tree):
        before = verify(tree, progress)
        if not before.findings:
            return before
        rows = read_rows(tree)
        cuts = cuts_for(rows)
        planned = (*(cut.words for cut in cuts), "Number the tree and write its paths anew.")
        if dry_run:
            return TreeReport(before.tree, before.nodes, before.findings, planned)
        for cut in cuts:
            progress(cut.words)
            tree.objects.filter(pk=cut.node).update(parent=cut.parent, key=cut.key)
        progress(planned[-1])
        tree.objects.rebuild()
        _write_paths(tree)
        after = verify(tree, progress)
    return TreeReport(after.tree, after.nodes, after.findings, planned)


def read_rows(tree: type[System] | type[Platform]) -> tuple[NodeRow, ...]:
    fields = ("id", "parent_id", "key", "path", "tree_id", "lft", "rght", "level")
    return tuple(NodeRow(*values) for values in tree.objects.order_by("id").values_list(*fields))


def findings_in(rows: Sequence[NodeRow]) -> tuple[TreeFinding, ...]:
    """Everything wrong with these rows, links first; numbers and paths are judged where a root reaches."""
    by_id = {row.id: row for row in rows}
    below = _children(rows)
    reached = _reached(below)
    return (
        *_link_findings(rows, by_id, reached),
        *_tree_number_findings(below),
        *(finding for row in rows if row.id in reached for finding in _row_findings(row, by_id)),
        *(finding for row in rows if row.id in reached for finding in _span_findings(row, below[row.id])),
    )


def loops_in(rows: Sequence[NodeRow]) -> tuple[tuple[NodeRow, ...], ...]:
    """Each circle of parents once, beginning with the node that :func:`cuts_for` cuts off, then its parent, and on."""
    by_id = {row.id: row for row in rows}
    done: set[int] = set()
    loops: list[tuple[NodeRow, ...]] = []
    for row in rows:
        trail: dict[int, NodeRow] = {}
        step: NodeRow | None = row
        while step is not None and step.id not in done and step.id not in trail:
            trail[step.id] = step
            step = by_id.get(step.parent_id) if step.parent_id is not None else None
        if step is not None and step.id in trail:
            walked = list(trail.values())
            loops.append(_first_to_cut(walked[walked.index(step) :]))
        done.update(trail)
    return tuple(loops)


def cuts_for(rows: Sequence[NodeRow]) -> tuple[Cut, ...]:
    """The links to change so that every node is reached by a root.

    Rule: of each loop, the node whose stored path is shortest (then the one with the lowest id) is taken out. It goes
    back to where its stored path says it stood, if a root reaches that place, and becomes a root otherwise. So does a
    node whose parent is missing. Where its key is taken, a number is added to the key.
    """
    by_id = {row.id: row for row in rows}
    below = _children(rows)
    reached = _reached(below)
    places = {row.path: row for row in rows if row.id in reached}
    taken = {(row.parent_id, row.key) for row in rows}
    cuts: list[Cut] = []
    lost = [row for row in rows if row.parent_id is not None and row.parent_id not in by_id]
    for row in (*(loop[0] for loop in loops_in(rows)), *lost):
        home = places.get(row.path.rpartition("/")[0])
        parent = home.id if home else None
        key = _free_key(row.key, parent, taken)
        taken.add((parent, key))
        where = f"goes back under {home.path!r}" if home else "becomes a root"
        renamed = f", its key now {key!r}" if key != row.key else ""
        cuts.append(Cut(row.id, parent, key, f"{_named(row)} {where}{renamed}."))
    return tuple(cuts)


def _first_to_cut(loop: list[NodeRow]) -> tuple[NodeRow, ...]:
    first = min(loop, key=lambda row: (row.path.count("/"), len(row.path), row.id))
    at = loop.index(first)
    return (*loop[at:], *loop[:at])


def _free_key(key: str, parent: int | None, taken: set[tuple[int | None, str]]) -> str:
    number, free = 1, key
    while (parent, free) in taken:
        number += 1
        free = f"{key}-{number}"
    return free


def _children(rows: Iterable[NodeRow]) -> Mapping[int | None, list[NodeRow]]:
    below: defaultdict[int | None, list[NodeRow]] = defaultdict(list)
    for row in rows:
        below[row.parent_id].append(row)
    return below


def _reached(below: Mapping[int | None, list[NodeRow]]) -> frozenset[int]:
    """Ids that a walk down from the roots meets."""
    waiting = list(below[None])
    reached: set[int] = set()
    while waiting:
        row = waiting.pop()
        reached.add(row.id)
        waiting.extend(below[row.id])
    return frozenset(reached)


def _named(row: NodeRow) -> str:
    return f"{row.path!r} (row {row.id})"


def _finding(kind: str, row: NodeRow, message: str) -> TreeFinding:
    return TreeFinding(kind, row.id, row.path, message)


def _link_findings(
    rows: Sequence[NodeRow], by_id: Mapping[int, NodeRow], reached: frozenset[int]
) -> Iterable[TreeFinding]:
    looping: set[int] = set()
    for loop in loops_in(rows):
        looping.update(row.id for row in loop)
        circle = ", which stands below ".join(_named(row) for row in (*loop, loop[0]))
        yield _finding("parent-loop", loop[0], f"{circle}: a loop that no root reaches.")
    for row in rows:
        if row.parent_id is not None and row.parent_id not in by_id:
            yield _finding(
                "parent-missing", row, f"{_named(row)} stands below row {row.parent_id}, which is not there."
            )
        elif row.id not in reached and row.id not in looping:
            yield _finding("no-root", row, f"{_named(row)} stands below nodes that no root reaches.")


def _tree_number_findings(below: Mapping[int | None, list[NodeRow]]) -> Iterable[TreeFinding]:
    holder: dict[int, NodeRow] = {}
    for root in below[None]:
        other = holder.setdefault(root.tree_id, root)
        if other is not root:
            yield _finding(
                "tree-shared",
                root,
                f"The roots {_named(other)} and {_named(root)} share the tree number {root.tree_id}.",
            )


def _row_findings(row: NodeRow, by_id: Mapping[int, NodeRow]) -> Iterable[TreeFinding]:
    parent = by_id[row.parent_id] if row.parent_id is not None else None
    level = parent.level + 1 if parent else 0
    path = f"{parent.path}/{row.key}" if parent else row.key
    if parent and row.tree_id != parent.tree_id:
        yield _finding("tree-mixed", row, f"{_named(row)} has tree number {row.tree_id}, its parent {parent.tree_id}.")
    if row.level != level:
        yield _finding("wrong-level", row, f"{_named(row)} has level {row.level}; its parent makes it {level}.")
    if row.path != path:
        yield _finding("wrong-path", row, f"{_named(row)} should have the path {path!r}.")


def _span_findings(row: NodeRow, children: Sequence[NodeRow]) -> Iterable[TreeFinding]:
    if row.parent_id is None and row.lft != 1:
        yield _finding("wrong-span", row, f"The root {_named(row)} begins at {row.lft}; a root begins at 1.")
    at = row.lft
    for child in sorted(children, key=lambda child: child.lft):
        if child.lft != at + 1 or child.rght <= child.lft:
            yield _finding(
                "wrong-span",
                child,
                f"{_named(child)} spans {child.lft} to {child.rght}; "
                f"below {row.path!r} the next span begins at {at + 1}.",
            )
            return
        at = child.rght
    if row.rght != at + 1:
        yield _finding(
            "wrong-span", row, f"{_named(row)} spans {row.lft} to {row.rght}; what stands below it ends it at {at + 1}."
        )


def _write_paths(tree: type[System] | type[Platform]) -> None:
    """Write the paths that the parents make. Two passes: a path may still be held by the row that loses it."""
    rows = read_rows(tree)
    below = _children(rows)
    right: dict[int, str] = {}
    waiting = [(row, row.key) for row in below[None]]
    while waiting:
        row, path = waiting.pop()
        right[row.id] = path
        waiting.extend((child, f"{path}/{child.key}") for child in below[row.id])
    wrong = [row for row in rows if row.id in right and row.path != right[row.id]]
    for row in wrong:
        tree.objects.filter(pk=row.id).update(path=f"~{row.id}")
    for row in wrong:
        tree.objects.filter(pk=row.id).update(path=right[row.id])
