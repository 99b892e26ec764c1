"""All checks on a procedure, as a compiler checks code: what is open-ended, unreachable, unsafe or only a guess.

A check finds; it never stops another. To add one, write a function with a ``rule`` (``catalog_rule`` where it needs
the catalog) in the file it belongs to, and test it for hit and miss.
"""

from __future__ import annotations

from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.checks.catalogue import CATALOG
from shopkb.core.flow.checks.circuit import CIRCUIT
from shopkb.core.flow.checks.hazards import HAZARD_CHECKS
from shopkb.core.flow.checks.logic import LOGIC
from shopkb.core.flow.checks.rules import CheckInfo
from shopkb.core.flow.checks.trials import TRIALS
from shopkb.core.flow.checks.values import VALUES
from shopkb.core.flow.findings import CheckFinding
from shopkb.core.flow.model import Flow

_ALL = (*LOGIC, *VALUES, *TRIALS, *CIRCUIT, *CATALOG, *HAZARD_CHECKS)

CHECKS: tuple[CheckInfo, ...] = tuple(check.info for check in _ALL)
"""What every check is called, how grave it is, what it finds and why that matters."""


def check_flow(flow: Flow, catalog: Catalog | None = None) -> tuple[CheckFinding, ...]:
    """Everything the checks find, errors first, then in the order of :data:`CHECKS`.

    Without a catalog, whatever needs one (names, cautions, hazards) is left out.
    """
    found = [finding for check in _ALL for finding in check.findings(flow, catalog)]
    return tuple(sorted(found, key=lambda finding: not finding.is_error))
