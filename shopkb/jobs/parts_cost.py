"""Parts of repairs: which are told in words alone, and what all of them cost together."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from shopkb.jobs.models import Repair


def parts_in_words(repair: Repair) -> str:
    """Parts told in words alone; empty where they stand line by line. Needs ``part_lines`` loaded to cost no query."""
    return "" if repair.part_lines.all() else repair.parts


def cost_of_parts(repairs: Iterable[Repair]) -> Decimal | None:
    """What the parts of these repairs cost together; ``None`` where no price, or not every price, is known. Parts told
    in words alone have none. Needs ``part_lines`` loaded to cost no query."""
    told = list(repairs)
    costs = [line.cost for repair in told for line in repair.part_lines.all()]
    known = [cost for cost in costs if cost is not None]
    if not known or len(known) < len(costs) or any(map(parts_in_words, told)):
        return None
    return sum(known, Decimal(0))
