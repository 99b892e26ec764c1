from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from shopkb.demo.comparing import LEVEL, ComparedFigure, Coverage, compare, coverage
from shopkb.demo.editions import WorldError, earlier_flows, not_in_force
from shopkb.demo.models import DemoMark
from shopkb.demo.simulator import ShopSimulator
from shopkb.demo.truth import TruthError, misfits, read_truth
from shopkb.demo.world import MONTH, access_minutes, dangers, flows_in_force
from shopkb.evidence.learning import kept

TOO_FEW, NOT_POSSIBLE = 1, 2


class Command(BaseCommand):
    help = (
        "Compare what was learned from the demo's jobs with the truth they were drawn from. "
        "Exits with 0 when enough of the intervals hold the truth, 1 when too few do, 2 when this is not the demo."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="Tell the outcome as JSON on standard output.")
        parser.add_argument("--simulate", type=int, default=8000, help="Jobs simulated for the truth of branches.")

    def handle(self, *args: Any, **options: Any) -> None:
        lines = _lines(options["simulate"])
        found = coverage(lines)
        if options["json"]:
            self._print_json(lines, found)
        else:
            self._print(lines, found)
        if not all(one.enough for one in found):
            raise SystemExit(TOO_FEW)

    def _print(self, lines: Sequence[ComparedFigure], found: Sequence[Coverage]) -> None:
        self.stdout.write(f"{'true':>6} {'learned':>7}  {LEVEL:.0%} interval  {'jobs':>5}  inside  what")
        for line in lines:
            inside = "yes" if line.inside else "NO"
            self.stdout.write(
                f"{line.true:6.3f} {line.learned:7.3f}  {line.low:.3f} to {line.high:.3f} {line.jobs:6d}"
                f"  {inside:<6}  {line.kind} {line.procedure}: {line.what}"
            )
        for one in found:
            self.stdout.write(
                f"{one.kind}: {one.inside} of {one.lines} intervals hold the truth ({one.share:.0%}; "
                f"{one.least} or more expected of {LEVEL:.0%} intervals)."
            )

    def _print_json(self, lines: Sequence[ComparedFigure], found: Sequence[Coverage]) -> None:
        rows = [asdict(line) | {"inside": line.inside} for line in lines]
        kinds = [asdict(one) | {"enough": one.enough} for one in found]
        self.stdout.write(json.dumps({"level": LEVEL, "coverage": kinds, "lines": rows}, indent=2))


def _lines(simulate: int) -> tuple[ComparedFigure, ...]:
    if DemoMark._meta.db_table not in connection.introspection.table_names():
        raise CommandError(_not_the_demo(), returncode=NOT_POSSIBLE)
    mark = DemoMark.objects.first()
    if mark is None:
        raise CommandError(_not_the_demo(), returncode=NOT_POSSIBLE)
    if simulate < 1:
        raise CommandError("Write a number of jobs of 1 or more.", returncode=NOT_POSSIBLE)
    flows = flows_in_force()
    try:
        truth = read_truth(settings.BASE_DIR / "fixtures" / "demo" / "truth.yaml")
        others = not_in_force(settings.BASE_DIR, truth)
    except (TruthError, WorldError) as error:
        raise CommandError(str(error), returncode=NOT_POSSIBLE) from error
    problems = list(misfits(truth, flows, others))
    if problems:
        raise CommandError(f"The procedures have changed: {' '.join(problems)}", returncode=NOT_POSSIBLE)
    since = mark.made_at - truth.shop.months * MONTH
    # Another seed than the demo's: the long run must not hold the very jobs that were learned from.
    rng = np.random.default_rng([mark.seed, 1])
    shop = ShopSimulator(
        truth, flows, rng, since, mark.made_at, access_minutes(), dangers(), earlier_flows(truth, others)
    )
    return compare(truth, flows, kept(), shop.jobs(simulate))


def _not_the_demo() -> str:
    return f"{connection.settings_dict['NAME']} does not hold the demo. Make it with: python manage.py demo"
