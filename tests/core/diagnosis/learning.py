"""A model straight from tallies, with the usual settings."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.ageing import HALF_LIFE
from shopkb.core.diagnosis.counting.flow_counts import NO_HAND_OVER_CAUSES, PROOF_WEIGHTS, HandOverCauses, count
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.flow.model import Flow


def model_of(
    flow: Flow,
    tallies: Tallies,
    platform: str = "",
    *,
    as_of: str,
    half_life: float | None = HALF_LIFE,
    proof_weights: Mapping[str, float] = PROOF_WEIGHTS,
    beyond: Mapping[str, frozenset[str]] = MappingProxyType({}),
    behind: HandOverCauses = NO_HAND_OVER_CAUSES,
    access_minutes: Mapping[str, float] | None = None,
) -> CauseModel:
    """Count and learn in one go."""
    platforms = (platform,) if platform else ()
    counts = count(
        flow, tallies, as_of=as_of, half_life=half_life, proof_weights=proof_weights, beyond=beyond,
        platforms=platforms, behind=behind,
    )  # fmt: skip
    return learn(counts, platform, access_minutes=access_minutes)
