"""The hidden truth behind the demo's jobs, read from ``fixtures/demo/truth.yaml``: what the tool does not see."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from ruamel.yaml import YAML

from shopkb.core.flow.model import Flow, GoKind, Usual
from shopkb.core.identifiers import is_within

Weights = Mapping[str, float]
ANY = "any"
MOST_ATTEMPTS = 4
"""Repairs that a job sees at most before it is given up."""
USUAL = {Usual.COMMON: 10.0, Usual.OCCASIONAL: 4.0, Usual.RARE: 1.0}
"""Weights of the causes of a procedure of which the truth says nothing."""


class TruthError(ValueError):
    """The truth does not fit the procedures, or cannot be read."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class ShopTruth(_Part):
    months: int
    growth: float
    learning: tuple[float, float]
    minutes_spread: float
    breaks: float = Field(alias="break")
    complaint_absent: float
    declined: float
    unverified: float
    false_cure: float
    comeback_after_false_cure: float
    comeback_after_cure: float
    comeback_days: tuple[int, int]
    gives_up: float
    found_aside: float
    skip_goes_right: float


class Technician(_Part):
    name: str
    error: float
    pace: float
    share: float


class JointCause(_Part):
    cause: str
    also: str
    share: float


class Elsewhere(_Part):
    """A cause the procedure does not know, by its identity."""

    cause: str
    weight: float
    way: Mapping[str, str] = Field(default_factory=dict)


class Absent(_Part):
    step: str
    outcome: str


class ProcedureTruth(_Part):
    key: str
    share: float = 1.0
    not_on: tuple[str, ...] = ()
    symptoms: Weights = Field(default_factory=dict)
    codes: Weights = Field(default_factory=dict)
    complaints: tuple[str, ...] = ("Does not work.",)
    circumstances: tuple[str, ...] = ("",)
    checks: tuple[str, ...] = ("Complaint repeated, gone.",)
    absent: Absent | None = None
    errors: Weights = Field(default_factory=dict)
    values: Mapping[str, tuple[str, ...]] = Field(default_factory=dict)
    facts: Mapping[str, Mapping[str, str]] = Field(default_factory=dict)
    causes: Weights = Field(default_factory=dict)
    platforms: Mapping[str, Weights] = Field(default_factory=dict)
    drift: Weights = Field(default_factory=dict)
    split: Mapping[str, Mapping[str, Weights]] = Field(default_factory=dict)
    otherwise: Mapping[str, Weights] = Field(default_factory=dict)
    together: tuple[JointCause, ...] = ()
    elsewhere: tuple[Elsewhere, ...] = ()


class Edition(_Part):
    """An edition of a procedure in force before the one of ``flows/``, up to this share of the period.

    ``until`` 1: it still is, and the one of ``flows/`` stands beside it as a draft. ``why`` is said of the newer one.
    """

    key: str
    until: float = Field(gt=0, le=1)
    why: str


class OpenJob(_Part):
    registration: str
    technician: str
    complaint: str
    symptom: str
    minutes_ago: int
    codes: tuple[str, ...] = ()
    procedure: str = ""
    towards: str = ""
    steps: int = 0


class VehicleTruth(_Part):
    registration: str
    vin: str
    platform: str
    year: int
    km: int


class Truth(_Part):
    """Everything the simulator goes by. Rates are shares of 1, weights are relative."""

    shop: ShopTruth
    errors: Weights
    skips: Weights
    skip_reasons: Weights
    technicians: tuple[Technician, ...]
    meters: Mapping[str, tuple[str, ...]]
    procedures: tuple[ProcedureTruth, ...]
    editions: tuple[Edition, ...] = ()
    open_jobs: tuple[OpenJob, ...]
    vehicles: tuple[VehicleTruth, ...]

    def of(self, flow: Flow) -> ProcedureTruth:
        """What is true of this procedure; what its writer believes, where the file says nothing."""
        spec = next((spec for spec in self.procedures if spec.key == flow.procedure), None)
        if spec is not None and spec.causes:
            return spec
        usual = {cause.key: USUAL[cause.usual] for cause in flow.causes}
        if spec is not None:
            return spec.model_copy(update={"causes": usual})
        # A procedure without symptoms is a method that others hand over to.
        share = 1.0 if flow.symptoms else 0.0
        return ProcedureTruth(key=flow.procedure, share=share, symptoms=dict.fromkeys(flow.symptoms, 1.0), causes=usual)


def comes_in(spec: ProcedureTruth, flow: Flow, platform: str) -> bool:
    """Whether vehicles of this platform come in with the complaint of this procedure."""

    if any(is_within(platform, node) for node in spec.not_on):
        return False
    return "any" in flow.platforms or any(is_within(platform, node) for node in flow.platforms)


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Where on a path of the platform tree a weight is asked for, and how far the period is gone (0 to 1)."""

    platform: str
    gone: float


def read_truth(path: Path) -> Truth:
    """The truth in a file.

    Raises:
        TruthError: it cannot be read; the sentence says where.
    """
    try:
        return Truth.model_validate(YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8")))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise TruthError(f"{path.name}, {where}: {first['msg']}.") from error


def cause_weights(spec: ProcedureTruth, flow: Flow, circumstances: Circumstances) -> dict[str, float]:
    """Weight of each true cause by identity, those that the procedure does not know last."""
    weights = {}
    for key, weight in spec.causes.items():
        for node, factors in spec.platforms.items():
            if is_within(circumstances.platform, node):
                weight *= factors.get(key, 1.0)
        weight *= 1 + (spec.drift.get(key, 1.0) - 1) * circumstances.gone
        weights[flow.cause_by_key[key].identity] = weight
    return weights | {other.cause: other.weight for other in spec.elsewhere}


def misfits(truth: Truth, flows: Mapping[str, Flow], others: Mapping[str, Flow] | None = None) -> Iterator[str]:
    """Everything the truth names that the procedures do not have, as sentences. ``others`` are further editions."""
    for spec in truth.procedures:
        flow, other = flows.get(spec.key), (others or {}).get(spec.key)
        if flow is None:
            yield f"There is no procedure {spec.key!r}."
            continue
        yield from _cause_misfits(spec, flow)
        editions = [edition for edition in (flow, other) if edition is not None]
        branches = {(step.key, one.key) for edition in editions for step in edition.steps for one in step.outcomes}
        for step, outcome in _branches_named(spec):
            if (step, outcome) not in branches:
                yield f"{spec.key} has no outcome {outcome!r} of a step {step!r}."
        for step in sorted(set(spec.errors) - {key for key, _outcome in branches}):
            yield f"{spec.key} has no step {step!r}."
        for key in sorted(set(spec.values) - {value.key for edition in editions for value in edition.values}):
            yield f"{spec.key} asks for no value {key!r}."
        if other is not None and set(other.cause_by_key) != set(flow.cause_by_key):
            yield f"The other edition of {spec.key} has other causes."


def _cause_misfits(spec: ProcedureTruth, flow: Flow) -> Iterator[str]:
    named = {*spec.causes, *spec.drift, *(key for factors in spec.platforms.values() for key in factors)}
    named |= {key for causes in spec.split.values() for key in causes if key != ANY}
    named |= {key for pair in spec.together for key in (pair.cause, pair.also)}
    for key in sorted(named - set(flow.cause_by_key)):
        yield f"{spec.key} has no cause {key!r}."
    for key in flow.cause_by_key:
        if spec.causes and key not in spec.causes:
            yield f"The truth does not say how often {key!r} of {spec.key} is met."


def _branches_named(spec: ProcedureTruth) -> Iterator[tuple[str, str]]:
    if spec.absent is not None:
        yield spec.absent.step, spec.absent.outcome
    for step, causes in spec.split.items():
        for weights in causes.values():
            yield from ((step, outcome) for outcome in weights)
    for step, weights in spec.otherwise.items():
        yield from ((step, outcome) for outcome in weights)
    for other in spec.elsewhere:
        yield from other.way.items()
    for step, outcomes in spec.facts.items():
        yield from ((step, outcome) for outcome in outcomes.values())


def fact(spec: ProcedureTruth, step: str, platform: str) -> str:
    """The outcome that this step has on a platform whatever the cause; empty if that hangs on the cause."""
    nodes = spec.facts.get(step, {})
    parts = platform.split("/")
    for depth in range(len(parts), 0, -1):
        if (node := "/".join(parts[:depth])) in nodes:
            return nodes[node]
    return ""


def names_causes(flow: Flow, step: str) -> bool:
    """Whether an outcome of this step names a cause."""
    return any(outcome.go.kind is GoKind.CAUSE for outcome in flow.step_by_key[step].outcomes)
