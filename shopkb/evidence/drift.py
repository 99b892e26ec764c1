"""What has changed lately in what closed jobs say of a procedure."""

from __future__ import annotations

from shopkb.core.diagnosis.drift import Drift, drift
from shopkb.core.flow.model import Flow
from shopkb.evidence.insight import full_tallies


def changed_lately(flow: Flow, month: str) -> Drift:
    """Branches right less or more often, and steps whose results fall otherwise, in the six months up to ``month``
    (``YYYY-MM``) than before. One query."""
    return drift(flow, full_tallies(flow.procedure), as_of=month)
