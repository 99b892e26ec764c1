"""What a meter reads in a circuit: sound, and with each fault, for every sample of its sizes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.circuit.nodal import LEAST_OHMS, conductance_matrix, incidence, solved
from shopkb.core.circuit.parts import (
    LEAD,
    MINUS,
    PLUS,
    SWITCHED,
    WARM,
    Array,
    Circuit,
    Condition,
    Fault,
    FaultKind,
    Measured,
    PartKind,
    Sizes,
)

METER_OHMS: Final = 10e6
"""Input resistance of a voltmeter."""

OVER_LIMIT_OHMS: Final = 40e6
"""More than this an ohmmeter shows as over limit: infinite here."""

PULLS_IN: Final = 0.6
"""Share of the supply's volts at no load that drives enough current through a sound coil to close its contact (common
practice)."""

TURNS_BRIDGED: Final = 3.0
"""A coil that conducts this many times as well as a sound one has its turns bridged, and closes nothing."""

BLOWS: Final = 1.35
"""A fuse opens at this multiple of its rating (ISO 8820-3 lets none carry it for ever)."""

MOST_ROUNDS: Final = 8
"""Rounds in which relays and fuses come to rest."""

SEEN: Final = 0.02
"""Share of an ohmmeter's current above which a part is taken as measured too."""


@dataclass(frozen=True)
class Solution:
    """One condition solved: volts of the points and conductances of the branches, (faults + 1) x samples x ...

    The first row is the sound circuit. ``volts`` of battery negative is the last point, 0. ``probed`` is what a
    voltmeter shows between some points.
    """

    points: dict[str, int]
    ends: Array
    conductances: Array
    drives: Array
    volts: Array
    probed: Mapping[tuple[str, str], Array]

    def current(self, branch: int) -> Array:
        """Ampere through a branch from its first to its second end: below 0 in a supply that gives current."""
        across = self.volts[..., : self.ends.shape[1]] @ self.ends[branch]
        flow: Array = self.conductances[..., branch] * across - self.drives[..., branch]
        return flow


def readings(
    circuit: Circuit, sizes: Sizes, tests: Sequence[tuple[Condition, Measured]], faults: Sequence[Fault]
) -> Array:
    """Tests x (faults + 1) x samples: volts, ampere or ohm; the first of the second axis is the sound circuit.

    Infinite where an ohmmeter shows over limit, not a number where a reading cannot be told: a point that is not
    there, or a part an ohmmeter sees whose cold resistance is not known.
    """
    found = np.full((len(tests), len(faults) + 1, len(sizes.ohms)), np.nan)
    by_condition: dict[Condition, list[int]] = {}
    for number, (condition, measured) in enumerate(tests):
        if measured.quantity != "resistance":
            by_condition.setdefault(condition, []).append(number)
        else:
            found[number] = _resistance(circuit, sizes, condition, measured, faults)
    for condition, numbers in by_condition.items():
        probes = [pair for number in numbers for pair in tests[number][1].probes]
        solution = _solve(circuit, sizes, condition, faults, tuple(dict.fromkeys(probes)))
        for number in numbers:
            measured = tests[number][1]
            if measured.quantity == "voltage":
                found[number] = _voltage(solution, measured)
            elif measured.quantity == "current":
                found[number] = _current(circuit, solution, condition, measured)
    return found


def solution_of(circuit: Circuit, sizes: Sizes, condition: Condition, faults: Sequence[Fault] = ()) -> Solution:
    """One condition solved, nothing measured."""
    return _solve(circuit, sizes, condition, faults, ())


def _voltage(solution: Solution, measured: Measured) -> Array:
    """The voltage of greatest size among the probes, as a meter of :data:`METER_OHMS` shows it."""
    if not measured.probes or any(pair not in solution.probed for pair in measured.probes):
        return np.full(solution.volts.shape[:2], np.nan)
    shown = np.stack([solution.probed[pair] for pair in measured.probes], axis=-1)
    if shown.shape[-1] == 1:
        return np.asarray(shown[..., 0])
    return np.asarray(np.abs(shown).max(axis=-1))


def _current(circuit: Circuit, solution: Solution, condition: Condition, measured: Measured) -> Array:
    if measured.through == LEAD and condition.leads:
        branch = len(circuit.parts)
    elif measured.through in circuit.place:
        branch = circuit.place[measured.through]
    else:
        return np.full(solution.volts.shape[:2], np.nan)
    return np.abs(solution.current(branch))


def _resistance(
    circuit: Circuit, sizes: Sizes, condition: Condition, measured: Measured, faults: Sequence[Fault]
) -> Array:
    """One ampere driven from red to black, supplies at 0 V, black the reference so that a part by itself is read as
    exactly as any: the highest of the probes."""
    shape = (len(faults) + 1, len(sizes.ohms))
    worst = np.full(shape, np.nan)
    warm = np.array([part.kind in WARM for part in circuit.parts])
    unknown = warm & np.isnan(sizes.cold).any(axis=0)
    ohms = np.where(np.isnan(sizes.cold), sizes.ohms, sizes.cold)
    quiet = Sizes(ohms, np.zeros_like(sizes.volts), sizes.cold)
    points, ends, conductances, movable = _branches(circuit, quiet, condition, faults)
    for number, part in enumerate(circuit.parts):
        if part.coil:  # no coil is fed
            conductances[..., number] = np.where(movable[:, number, None], 0, conductances[..., number])
    for red, black in measured.probes:
        if red not in points or black not in points:
            return np.full(shape, np.nan)
        whole = np.column_stack([ends, -ends.sum(axis=1)])
        near = _joined(whole, conductances, points[red], points[black])
        from_black = np.delete(whole[:, near], near.index(points[black]), axis=1)
        driven = np.array([float(point == points[red]) for point in near if point != points[black]])
        currents = np.broadcast_to(driven[:, None], (*shape, len(driven), 1))
        volts = solved(conductance_matrix(from_black, conductances), currents)[..., 0]
        shown = volts @ driven
        passed = np.abs(conductances * (volts @ from_black.T))[..., : len(circuit.parts)]
        shown = np.where(shown > OVER_LIMIT_OHMS, np.inf, shown)
        shown = np.where((passed[..., unknown] > SEEN).any(axis=-1) & np.isfinite(shown), np.nan, shown)
        worst = np.where(np.isnan(worst), shown, np.maximum(worst, shown))
    return worst


def _joined(ends: Array, conductances: Array, *start: int) -> list[int]:
    """The points that conducting branches join to some, these included, whatever the fault: branches x points."""
    alive = [set(np.flatnonzero(row)) for row in ends[(conductances > 0).any(axis=(0, 1))]]
    reached = set(start)
    while True:
        more = {int(point) for pair in alive if pair & reached for point in pair} - reached
        if not more:
            return sorted(reached)
        reached |= more


# Branches: the parts, the leads of the step, then one for each fault that joins a part to something ----------------


def _branches(
    circuit: Circuit, sizes: Sizes, condition: Condition, faults: Sequence[Fault]
) -> tuple[dict[str, int], Array, Array, NDArray[np.bool_]]:
    """Points, ends, conductances (faults + 1 x samples x branches), and where a switched part is free to be moved."""
    leads, shunts = condition.leads, [fault for fault in faults if fault.kind in _SHUNTS]
    pairs = [(part.first, part.second) for part in circuit.parts] + [(lead.first, lead.second) for lead in leads]
    pairs += [(_live_end(circuit, fault), _SHUNTS[fault.kind]) for fault in shunts]
    names = dict.fromkeys((PLUS, *(point for pair in pairs for point in pair)))
    names.pop(MINUS, None)
    points = {name: number for number, name in enumerate(names)}
    points[MINUS] = len(names)
    ends = incidence(points, pairs)
    samples, own = len(sizes.ohms), len(circuit.parts)
    table = np.zeros((len(faults) + 1, samples, len(pairs)))
    table[:, :, :own] = 1 / np.maximum(sizes.ohms, LEAST_OHMS)
    for number, lead in enumerate(leads):
        table[:, :, own + number] = 1 / max(lead.ohms, LEAST_OHMS)
    movable = np.zeros((len(faults) + 1, own), dtype=bool)
    for number, part in enumerate(circuit.parts):
        unplugged = part.connector.lower() in condition.unplugged if part.connector else False
        if unplugged or part.key in condition.opened:
            table[:, :, number] = 0
        elif part.kind in SWITCHED and part.key not in condition.closed:
            movable[:, number] = bool(part.coil)
            table[:, :, number] = 0 if not part.coil else table[:, :, number]
        movable[:, number] |= part.kind is PartKind.FUSE and np.isfinite(part.rating) and not unplugged
    extra = own + len(leads)
    for row, fault in enumerate(faults, start=1):
        if fault.kind in _SHUNTS:
            table[row, :, extra] = 1 / np.maximum(fault.ohms, LEAST_OHMS)
            extra += 1
        elif fault.part in circuit.place:
            _apply(table[row], circuit, sizes, condition, fault, movable[row])
    return points, ends, table, movable


_SHUNTS: Final = {FaultKind.TO_EARTH: MINUS, FaultKind.TO_SUPPLY: PLUS}


def _live_end(circuit: Circuit, fault: Fault) -> str:
    """The end at which a part that touches earth or supply does so: the second, as a wire lies behind its fuse."""
    if fault.part not in circuit.place:
        return MINUS if fault.kind is FaultKind.TO_EARTH else PLUS
    part = circuit.parts[circuit.place[fault.part]]
    other = _SHUNTS[fault.kind]
    return part.first if part.second == other else part.second


def _apply(
    row: Array, circuit: Circuit, sizes: Sizes, condition: Condition, fault: Fault, movable: NDArray[np.bool_]
) -> None:
    at = circuit.place[fault.part]
    part = circuit.parts[at]
    apart = bool(part.connector) and part.connector.lower() in condition.unplugged
    if fault.kind in (FaultKind.OPEN, FaultKind.STUCK_OPEN):
        row[:, at], movable[at] = 0, False
    elif fault.kind is FaultKind.STUCK_CLOSED and not apart:
        row[:, at], movable[at] = 1 / np.maximum(sizes.ohms[:, at], LEAST_OHMS), False
    elif fault.kind is FaultKind.SHORT and not apart:
        closed = row[:, at] > 0
        row[:, at] = np.where(closed, 1 / np.maximum(fault.ohms, LEAST_OHMS), 0)
    elif fault.kind is FaultKind.SERIES:
        row[:, at] = _in_series(row[:, at], fault.ohms)
    elif fault.kind is FaultKind.TIMES:
        row[:, at] = row[:, at] / np.maximum(fault.ohms, LEAST_OHMS)
    elif fault.kind is FaultKind.VALUE:
        row[:, at] = np.where(row[:, at] > 0, 1 / np.maximum(fault.ohms, LEAST_OHMS), 0)


def _in_series(conductance: Array, ohms: Array) -> Array:
    apart = np.isinf(ohms)
    result: Array = np.where(apart, 0.0, conductance / (1 + conductance * np.where(apart, 0, ohms)))
    return result


# Relays and fuses come to rest -----------------------------------------------------------------------------------


@dataclass
class _Network:
    """One condition while its relays and fuses find where they stay; arrays as in :class:`Solution`."""

    circuit: Circuit
    sizes: Sizes
    points: dict[str, int]
    ends: Array
    whole: Array
    movable: NDArray[np.bool_]

    def __post_init__(self) -> None:
        parts = self.circuit.parts
        moved = [number for number in range(len(parts)) if self.movable[:, number].any()]
        self.contacts = [number for number in moved if parts[number].coil in self.circuit.place]
        self.fuses = [number for number in moved if parts[number].kind is PartKind.FUSE]
        self.supplies = np.array([part.kind is PartKind.SUPPLY for part in parts], dtype=bool)
        self.at_no_load = np.max(np.abs(self.sizes.volts), axis=1, initial=0.0)

    def drives(self, table: Array) -> Array:
        """What supplies drive into their branches."""
        driven = np.zeros_like(table)
        own = len(self.supplies)
        driven[..., :own] = table[..., :own] * np.where(self.supplies, self.sizes.volts, 0.0)
        return driven

    def moved(self, table: Array, volts: Array) -> Array:
        """The conductances as the relays and fuses ask once these volts are there."""
        now, drives = table.copy(), self.drives(table)
        across = volts @ self.ends.T
        flows = table * across - drives
        for number in self.contacts:
            coil = self.circuit.place[self.circuit.parts[number].coil]
            turns = np.abs(flows[..., coil]) * self.sizes.ohms[:, coil]
            whole_coil = table[..., coil] * self.sizes.ohms[:, coil] < TURNS_BRIDGED
            pulled = (turns >= PULLS_IN * self.at_no_load) & whole_coil & (self.at_no_load > 0)
            free = self.movable[:, number, None]
            now[..., number] = np.where(free, np.where(pulled, self.whole[..., number], 0), table[..., number])
        for number in self.fuses:
            blown = np.abs(flows[..., number]) > BLOWS * self.circuit.parts[number].rating
            now[..., number] = np.where(self.movable[:, number, None] & blown, 0, now[..., number])
        return now


def _solve(
    circuit: Circuit, sizes: Sizes, condition: Condition, faults: Sequence[Fault], probes: tuple[tuple[str, str], ...]
) -> Solution:
    points, ends, whole, movable = _branches(circuit, sizes, condition, faults)
    known = [pair for pair in probes if pair[0] in points and pair[1] in points]
    network = _Network(circuit, sizes, points, ends, whole, movable)
    table = whole.copy()
    for number in network.contacts:
        rests = movable[:, number, None] & ~_pulled_when_sound(network, number)
        table[..., number] = np.where(rests, 0, table[..., number])
    taps = incidence(points, known)
    volts = np.empty((*table.shape[:2], ends.shape[1]))
    driven = np.empty((*table.shape[:2], len(known)))
    todo = np.ones(table.shape[:2], dtype=bool)
    for _ in range(MOST_ROUNDS):
        right = np.empty((int(todo.sum()), ends.shape[1], 1 + len(known)))
        right[..., 0] = (network.drives(table) @ ends)[todo]
        right[..., 1:] = taps.T
        found = solved(conductance_matrix(ends, table[todo]), right)
        volts[todo] = found[..., 0]
        driven[todo] = np.einsum("pi,kip->kp", taps, found[..., 1:])
        if not network.contacts and not network.fuses:
            break
        now = network.moved(table, volts)
        todo = (now != table).any(axis=-1)
        if not todo.any():
            break
        table = now
    shown = (volts @ taps.T) * METER_OHMS / (METER_OHMS + driven)
    held = np.concatenate([volts, np.zeros((*volts.shape[:-1], 1))], axis=-1)
    probed = {pair: shown[..., place] for place, pair in enumerate(known)}
    return Solution(points, ends, table, network.drives(table), held, probed)


def _pulled_when_sound(network: _Network, contact: int) -> bool:
    """Where a relay is likely to stay, to begin with: closed when the sound circuit of usual sizes closes it."""
    sizes = network.sizes
    first = _Network(
        network.circuit,
        Sizes(sizes.ohms[:1], sizes.volts[:1], sizes.cold[:1]),
        network.points,
        network.ends,
        network.whole[:1, :1],
        network.movable[:1],
    )
    table = first.whole.copy()
    for number in first.contacts:
        table[..., number] = np.where(first.movable[:, number, None], 0, table[..., number])
    for _ in range(MOST_ROUNDS):
        currents = (first.drives(table) @ first.ends)[..., None]
        now = first.moved(table, solved(conductance_matrix(first.ends, table), currents)[..., 0])
        if np.array_equal(now, table):
            break
        table = now
    return bool(table[0, 0, contact] > 0)
