"""The one door for writes to the two trees, :class:`System` and :class:`Platform`.

Nested-set numbers are computed from what is read, so two writers at once would corrupt them (law 8). Every function
here opens a transaction, takes the tree's row of :class:`TreeLock`, reads what it decides on only then, and leaves
``path`` right for the node and all below it. Who may write is checked when a person is given; commands give none.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TypeVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet, Value
from django.db.models.functions import Concat, Substr
from django.dispatch import Signal

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog import wordings
from shopkb.catalog.facts import forget_catalog
from shopkb.catalog.models import Platform, Proposal, System, TreeLock, Wording
from shopkb.catalog.uses import uses_of
from shopkb.catalog.validators import known_hazards, plain_key

Node = TypeVar("Node", System, Platform)

PATH_LENGTH = System._meta.get_field("path").max_length or 0
NAME_LENGTH = System._meta.get_field("name").max_length or 0


moved = Signal()
"""Sent by a move within its transaction, with ``old`` and ``new`` path: rooms above that keep paths as text follow, or
refuse by raising a :class:`TreeRefusal`."""


class TreeRefusal(Exception):
    """A tree write that was not done. The text is a sentence for the person who asked."""


class FaultyNode(TreeRefusal):
    """A key, name or hazard that the catalog does not take."""


class DuplicateKey(TreeRefusal):
    """A sibling has this key already."""


class BelowItself(TreeRefusal):
    """A node cannot hang below itself or one of its own descendants."""


class StillInUse(TreeRefusal):
    """A node that other records name cannot go."""


class NodeGone(TreeRefusal):
    """Somebody else removed the node meanwhile."""


@dataclass(frozen=True, slots=True)
class NodeValue:
    """One node to load, with those below it. ``hazards`` mean something in the systems tree only."""

    key: str
    name: str
    hazards: tuple[str, ...] = ()
    children: tuple[NodeValue, ...] = ()


@dataclass(frozen=True, slots=True)
class LoadCount:
    """How many rows a load added, changed, found as they should be, and would change."""

    added: int = 0
    changed: int = 0
    same: int = 0
    proposed: int = 0
    """Changes that wait for a second person, as procedures use what they change."""


@contextmanager
def locked(tree: type[System] | type[Platform]) -> Iterator[None]:
    """A transaction that no other tree write overlaps, and after which nothing of the catalog is remembered. Nests in
    one already open.

    SQLite takes no row locks; there the IMMEDIATE transaction itself is the lock.
    """
    with transaction.atomic():
        TreeLock.objects.select_for_update().get_or_create(tree=tree._meta.model_name)
        yield
        transaction.on_commit(forget_catalog)


def add(
    tree: type[Node],
    *,
    key: str,
    name: str,
    parent: Node | None = None,
    hazards: Iterable[str] = (),
    by: User | None = None,
) -> Node:
    """Add a node below ``parent``, or as a root.

    Raises:
        PermissionDenied: ``by`` may not change the catalog.
        FaultyNode, DuplicateKey, NodeGone: see there.
    """
    _may(by)
    brought = _checked(key, name, hazards)
    with locked(tree):
        above = _fresh(parent) if parent is not None else None
        path = _path_below(tree, above, key)
        node = tree(key=key, name=name.strip(), parent=above, path=path)
        if isinstance(node, System):
            node.hazards = brought
        node.save()
        if isinstance(node, System):
            wordings.record([node], by=by)
    return node


def rename(node: Node, name: str, *, by: User | None = None) -> Node:
    """Give a node another name. Its key, and so every path that others wrote down, stays.

    Raises:
        PermissionDenied, FaultyNode, NodeGone: as for :func:`add`.
    """
    _may(by)
    _checked_name(name)
    with locked(type(node)):
        fresh = _fresh(node)
        fresh.name = name.strip()
        fresh.save()
    return fresh


def move(node: Node, under: Node | None, *, by: User | None = None) -> Node:
    """Hang a node, with all below it, under another, or make it a root. Their paths change with it.

    Raises:
        PermissionDenied, DuplicateKey, FaultyNode, NodeGone: as for :func:`add`.
        BelowItself: ``under`` is the node or stands below it.
        StillInUse: something that never changes names the node, or one below it, by its path.
    """
    _may(by)
    with locked(type(node)):
        fresh = _fresh(node)
        target = _fresh(under) if under is not None else None
        if fresh.parent_id == (target.pk if target else None):
            return fresh
        _refuse_below_itself(fresh, target)
        old = fresh.path
        fresh.path = _path_below(type(node), target, fresh.key)
        _refuse_long_paths(fresh, old)
        fresh.parent = target
        fresh.save()
        _below(type(node), old).update(path=Concat(Value(fresh.path), Substr("path", len(old) + 1)))
        moved.send(sender=type(node), old=old, new=fresh.path)
        if isinstance(fresh, System):
            wordings.record(fresh.get_descendants(include_self=True), by=by, why=f"Moved from {old}.")
    return fresh


def remove(node: Node, *, by: User | None = None) -> None:
    """Remove a node that nothing uses and nothing stands below.

    Raises:
        PermissionDenied, NodeGone: as for :func:`add`.
        StillInUse: the sentence says by what.
    """
    _may(by)
    with locked(type(node)):
        fresh = _fresh(node)
        uses = uses_of(fresh)
        if uses:
            raise StillInUse(
                f"{fresh.name} cannot be removed. It is used by {uses}. Remove these or point them elsewhere first."
            )
        if isinstance(fresh, System):
            _refuse_removal(fresh)
        fresh.delete()


def set_hazards(
    system: System, hazards: Iterable[str], *, by: User | None = None, why: str = ""
) -> Proposal | Wording | None:
    """Say which hazards a system brings to itself and all below it, or propose it (:func:`wordings.change`).

    Raises:
        PermissionDenied, FaultyNode, NodeGone: as for :func:`add`.
        ChangeRefused: as for :func:`wordings.change`.
    """
    _may(by)
    brought = _checked_hazards(hazards)
    with locked(System):
        return wordings.change(_fresh(system), {"hazards": brought}, by=by, why=why)


def load(tree: type[Node], nodes: Sequence[NodeValue], *, by: User | None = None, why: str = "") -> LoadCount:
    """Make the tree hold these nodes: missing ones are added, names and hazards set, nothing moved or removed.

    Loading the same values again changes nothing. Hazards of a system that procedures use are proposed.

    Raises:
        PermissionDenied: ``by`` may not change the catalog.
        FaultyNode, DuplicateKey: a value is wrong; nothing is loaded.
        ChangeRefused: as for :func:`wordings.change`; nothing is loaded.
    """
    _may(by)
    _checked_values(nodes, above="")
    with locked(tree):
        rows = {row.path: row for row in tree.objects.all()}
        count = LoadCount()
        level: list[tuple[Node | None, NodeValue]] = [(None, value) for value in nodes]
        while level:
            count = _load_level(tree, rows, level, count)
            level = [(rows[_path(parent, value.key)], child) for parent, value in level for child in value.children]
        if count.added or count.changed:
            tree.objects.rebuild()
        if tree is System:
            count = _load_hazards(rows, _with_paths(nodes, above=""), count, by=by, why=why)
    return count


def _load_hazards(
    rows: Mapping[str, Node], values: Mapping[str, NodeValue], count: LoadCount, *, by: User | None, why: str
) -> LoadCount:
    """Keep the hazards of new systems as their first wording, and change or propose those of the others."""
    wordings.record((row for row in rows.values() if isinstance(row, System)), by=by)
    proposed = 0
    for path, value in values.items():
        row = rows[path]
        if isinstance(row, System) and row.hazards != list(value.hazards):
            done = wordings.change(row, {"hazards": list(value.hazards)}, by=by, why=why)
            proposed += isinstance(done, Proposal)
    return replace(count, changed=count.changed - proposed, proposed=count.proposed + proposed)


def _with_paths(nodes: Sequence[NodeValue], above: str) -> dict[str, NodeValue]:
    found: dict[str, NodeValue] = {}
    for value in nodes:
        path = f"{above}/{value.key}" if above else value.key
        found |= {path: value, **_with_paths(value.children, path)}
    return found


def _load_level(
    tree: type[Node], rows: dict[str, Node], level: Sequence[tuple[Node | None, NodeValue]], count: LoadCount
) -> LoadCount:
    """Store the nodes of one level, whose parents have rows by now. Puts new rows into ``rows``."""
    new: list[Node] = []
    touched: list[Node] = []
    for parent, value in level:
        path = _path(parent, value.key)
        row = rows.get(path)
        if row is None:
            rows[path] = row = _unnumbered(tree, value, parent, path)
            new.append(row)
        elif (row.name, _hazards(row)) != (value.name.strip(), list(value.hazards)):
            row.name = value.name.strip()
            touched.append(row)
    tree.objects.bulk_create(new, batch_size=500)
    tree.objects.bulk_update(touched, ["name"], batch_size=500)
    same = len(level) - len(new) - len(touched)
    return replace(count, added=count.added + len(new), changed=count.changed + len(touched), same=count.same + same)


def refuse_place(node: Node | None, tree: type[Node], key: str, parent: Node | None) -> None:
    """Say before a write, for a form, what the write would refuse: a taken key, a place below itself.

    Raises:
        DuplicateKey, BelowItself, FaultyNode: as the write would.
    """
    if node is not None:
        _refuse_below_itself(node, parent)
    if node is None or node.parent_id != (parent.pk if parent else None):
        _path_below(tree, parent, key)


def _refuse_removal(system: System) -> None:
    try:
        wordings.refuse_removal(system)
    except wordings.ChangeRefused as refusal:
        raise StillInUse(str(refusal)) from refusal


def _may(by: User | None) -> None:
    if by is not None:
        require(by, Right.CATALOG)


def _fresh(node: Node) -> Node:
    """The node as it stands now that the lock is held."""
    found: Node | None = type(node).objects.filter(pk=node.pk).first()
    if found is None:
        raise NodeGone(f"{node.name} was removed by somebody else meanwhile. Open the list again.")
    return found


def _below(tree: type[Node], path: str) -> QuerySet[Node]:
    below: QuerySet[Node] = tree.objects.filter(path__startswith=f"{path}/").order_by()
    return below


def _path(parent: Node | None, key: str) -> str:
    return f"{parent.path}/{key}" if parent else key


def _path_below(tree: type[Node], parent: Node | None, key: str) -> str:
    path = _path(parent, key)
    if tree.objects.filter(parent=parent, key=key).exists():
        place = f"Below {parent.name}" if parent else "At the top of the tree"
        raise DuplicateKey(f"{place} the key {key} is taken. Choose another key.")
    if len(path) > PATH_LENGTH:
        raise FaultyNode(f"The path {path} is longer than {PATH_LENGTH} characters. Use shorter keys.")
    return path


def _refuse_below_itself(node: Node, target: Node | None) -> None:
    """Walks the parents rather than the numbers, so that it holds in a damaged tree too."""
    step, seen = target, set[int]()
    while step is not None and step.pk not in seen:
        if step.pk == node.pk:
            raise BelowItself(
                f"{node.name} cannot hang below itself or what stands below it. Choose a place outside {node.name}."
            )
        seen.add(step.pk)
        step = step.parent


def _refuse_long_paths(node: Node, old: str) -> None:
    longest = max((len(path) for path in _below(type(node), old).values_list("path", flat=True)), default=len(old))
    if longest - len(old) + len(node.path) > PATH_LENGTH:
        raise FaultyNode(
            f"A path below {node.name} would be longer than {PATH_LENGTH} characters. Choose a place less deep."
        )


def _checked(key: str, name: str, hazards: Iterable[str]) -> list[str]:
    try:
        plain_key(key)
    except ValidationError as fault:
        raise FaultyNode(fault.message) from fault
    _checked_name(name)
    return _checked_hazards(hazards)


def _checked_name(name: str) -> None:
    if not name.strip():
        raise FaultyNode("A node needs a name. Write what people in the shop call it.")
    if len(name.strip()) > NAME_LENGTH:
        raise FaultyNode(f"The name {name.strip()} is longer than {NAME_LENGTH} characters. Write a shorter one.")


def _checked_hazards(hazards: Iterable[str]) -> list[str]:
    listed = list(hazards)
    try:
        known_hazards(listed)
    except ValidationError as fault:
        raise FaultyNode(fault.message) from fault
    return listed


def _checked_values(nodes: Sequence[NodeValue], above: str) -> None:
    seen: set[str] = set()
    for value in nodes:
        _checked(value.key, value.name, value.hazards)
        path = f"{above}/{value.key}" if above else value.key
        if value.key in seen:
            raise DuplicateKey(f"{path} is given twice. Give each key once among its siblings.")
        if len(path) > PATH_LENGTH:
            raise FaultyNode(f"The path {path} is longer than {PATH_LENGTH} characters. Use shorter keys.")
        seen.add(value.key)
        _checked_values(value.children, path)


def _unnumbered(tree: type[Node], value: NodeValue, parent: Node | None, path: str) -> Node:
    """A row whose nested-set numbers are placeholders until the rebuild at the end of the load."""
    node = tree(key=value.key, parent=parent, path=path, lft=1, rght=2, tree_id=0, level=path.count("/"))
    _take(node, value)
    return node


def _take(row: System | Platform, value: NodeValue) -> None:
    row.name = value.name.strip()
    if isinstance(row, System):
        row.hazards = list(value.hazards)


def _hazards(row: System | Platform) -> list[str]:
    return list(row.hazards) if isinstance(row, System) else []
