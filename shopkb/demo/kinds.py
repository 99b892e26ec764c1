"""Shipped procedures name kinds of vehicle (petrol, diesel, ...); in the demo they name its vehicles instead."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from shopkb.core.flow.model import Flow
from shopkb.core.identifiers import is_within


@dataclass(frozen=True)
class Kinds:
    """Paths of the demo's platforms by kind, and its whole tree as path to the paths right below it, in order."""

    paths: Mapping[str, tuple[str, ...]]
    below: Mapping[str, tuple[str, ...]]

    def fitted(self, flow: Flow) -> Flow:
        """The same procedure for the demo's vehicles of the kinds it names. One that names no kind stays as it is."""
        if not any(kind in self.paths for kind in flow.platforms):
            return flow
        named = [path for kind in flow.platforms for path in self.paths.get(kind, (kind,))]
        return replace(flow, platforms=tuple(self._fewest(named, "")))

    def _fewest(self, named: list[str], above: str) -> Iterator[str]:
        """The platforms as they are written shortest: a maker whose models are all named stands for them."""
        for path in self.below[above]:
            if self._is_whole(named, path):
                yield path
            else:
                yield from self._fewest(named, path)

    def _is_whole(self, named: list[str], path: str) -> bool:
        if any(is_within(path, one) for one in named):
            return True
        return bool(self.below[path]) and all(self._is_whole(named, child) for child in self.below[path])


def read_kinds(root: Path) -> Kinds:
    """From ``fixtures/demo``."""
    folder = root / "fixtures" / "demo"
    paths = {kind: tuple(listed) for kind, listed in _yaml(folder / "kinds.yaml").items()}
    return Kinds(paths, dict(_below(_yaml(folder / "platforms.yaml"), "")))


def _below(nodes: list[dict[str, Any]], above: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    own = {f"{above}/{node['key']}" if above else str(node["key"]): node for node in nodes}
    yield above, tuple(own)
    for path, node in own.items():
        yield from _below(node.get("children", []), path)


def _yaml(path: Path) -> Any:
    return YAML(typ="safe", pure=True).load(path.read_text("utf-8"))
