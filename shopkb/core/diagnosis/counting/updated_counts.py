"""Counts of a flow updated by a few tallies, instead of made anew from all of them.

Every count is a sum over tallies, so what a job adds is added and what it takes back is taken away. Whole numbers stay
exact; what is weighted by age may differ from a fresh count in the last digits.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from types import MappingProxyType
from typing import TypeVar

import numpy as np

from shopkb.core.diagnosis.counting.ageing import HALF_LIFE
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts, PlatformCounts, count
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.rates.pooling import PlatformTree, platform_tree

Key = TypeVar("Key")


def updated_counts(
    counts: FlowCounts,
    added: Tallies,
    taken: Tallies,
    *,
    as_of: str,
    half_life: float | None = HALF_LIFE,
    beyond: Mapping[str, frozenset[str]] = MappingProxyType({}),
) -> FlowCounts | None:
    """``counts`` with these tallies added and those taken back; O(branches x platforms). The rest as for ``count``.

    ``None`` if a tally is below zero, here or already in ``counts``: such is read as 0, which no sum can follow.
    """
    paths = {key.platform for part in (added, taken) for key in part if key.procedure == counts.flow.procedure}
    wider = with_platforms(counts, paths)
    for part, sign in ((added, 1), (taken, -1)):
        if part:
            more = count(
                counts.flow, part, as_of=as_of, half_life=half_life, beyond=beyond, platforms=wider.tree.paths,
                behind=counts.behind,
            )  # fmt: skip
            wider = _sum(wider, more, sign)
    return wider if wider.negative == 0 else None


def with_platforms(counts: FlowCounts, paths: Iterable[str]) -> FlowCounts:
    """The same counts over a tree that holds these platforms as well."""
    tree = platform_tree([*counts.tree.paths, *paths])
    if len(tree.paths) == len(counts.tree.paths):
        return counts
    by_platform = PlatformCounts(
        **{
            part.name: _spread(counts.tree, tree, getattr(counts.by_platform, part.name))
            for part in fields(PlatformCounts)
        }
    )
    return replace(counts, tree=tree, runs=_spread(counts.tree, tree, counts.runs), by_platform=by_platform)


def _spread(old: PlatformTree, new: PlatformTree, array: Array) -> Array:
    rows = np.zeros((len(new.paths), *array.shape[1:]))
    rows[[new.index[path] for path in old.paths]] = array
    return rows


def _sum(one: FlowCounts, other: FlowCounts, sign: int) -> FlowCounts:
    by_platform = PlatformCounts(
        **{
            part.name: _no_less(getattr(one.by_platform, part.name) + sign * getattr(other.by_platform, part.name))
            for part in fields(PlatformCounts)
        }
    )
    reasons = {
        step: _jobs(one.skipped.get(step, {}), other.skipped.get(step, {}), sign)
        for step in {**one.skipped, **other.skipped}
    }
    return replace(
        one,
        verified=_no_less(one.verified + sign * other.verified),
        traffic=_no_less(one.traffic + sign * other.traffic),
        minutes=_no_less(one.minutes + sign * other.minutes),
        on_way=_no_less(one.on_way + sign * other.on_way),
        whole=one.whole + sign * other.whole,
        runs=_no_less(one.runs + sign * other.runs),
        by_platform=by_platform,
        skipped={step: jobs for step, jobs in reasons.items() if jobs},
        left_out=_jobs(one.left_out, other.left_out, sign),
        negative=one.negative + other.negative,
    )


def _no_less(array: Array) -> Array:
    """Differences under 1e-9 set to 0: rounding of what was taken back entirely."""
    return np.where(np.abs(array) < 1e-9, 0.0, array)


def _jobs(one: Mapping[Key, int], other: Mapping[Key, int], sign: int) -> dict[Key, int]:
    jobs = Counter(one)
    for key, number in other.items():
        jobs[key] += sign * number
    return {key: number for key, number in jobs.items() if number}
