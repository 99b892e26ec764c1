"""Shipped procedures name kinds of vehicle; the demo's name its vehicles of these kinds, each vehicle of one kind."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from shopkb.core.identifiers import is_within
from shopkb.demo.kinds import read_kinds
from tests.shelf import DEMO, ROOT, SHIPPED, STARTER, load, walk

KINDS = read_kinds(ROOT)
EVERY = tuple(path for path, _node, _hazards in walk(load("platforms", DEMO)))
LEAVES = tuple(path for path in EVERY if not KINDS.below[path])


def test_every_vehicle_is_of_one_kind() -> None:
    named = Counter(
        leaf for paths in KINDS.paths.values() for path in paths for leaf in LEAVES if is_within(leaf, path)
    )
    assert named == Counter(LEAVES)
    assert {path for paths in KINDS.paths.values() for path in paths} <= {*EVERY}


def test_the_kinds_are_those_of_the_starter_catalog() -> None:
    assert set(KINDS.paths) == {node["key"] for node in load("platforms", STARTER)}


def test_a_maker_whose_models_are_all_of_the_kinds_stands_for_them() -> None:
    burning = KINDS.fitted(SHIPPED["charging-low"])
    assert burning.platforms == (
        "curlew/dunlin/mk1",
        "curlew/dunlin/mk2/rush4",
        "curlew/dunlin/mk2/rush5",
        "curlew/knot",
        "curlew/stint/mk3/teasel3",
        "godwit",
        "lapwing",
    )
    assert KINDS.fitted(SHIPPED["high-voltage-vehicle"]).platforms == (
        "curlew/dunlin/mk2/electric",
        "curlew/stint/mk3/hybrid",
    )


def test_what_names_no_kind_stays_as_it_is() -> None:
    flow = replace(SHIPPED["charging-low"], platforms=("any",))
    assert KINDS.fitted(flow) is flow
