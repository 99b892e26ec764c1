"""What closed jobs say about a procedure as of this month."""

from __future__ import annotations

from django.utils import timezone

from shopkb.core.flow.model import Flow
from shopkb.evidence.learned_procedure import LearnedProcedure, ReadTallies, learned_procedure, read_tallies
from shopkb.procedures.hand_overs import behind


def this_month() -> str:
    """``YYYY-MM``, in the shop's time zone."""
    return timezone.localdate().strftime("%Y-%m")


def learned_today(flow: Flow, checksum: str, platform: str = "", read: ReadTallies = read_tallies) -> LearnedProcedure:
    """As :func:`shopkb.evidence.learned_procedure.learned_procedure`, with what lies behind its hand-overs."""
    return learned_procedure(flow, checksum, behind=behind(flow), platform=platform, month=this_month(), read=read)
