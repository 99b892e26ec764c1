"""The page of one vehicle."""

from __future__ import annotations

import re
import uuid
from datetime import UTC, datetime, timedelta

from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.core.flow.model import Proof
from shopkb.jobs.actions import closing, repairing
from shopkb.jobs.models import Job, Verification
from shopkb.procedures.models import Procedure
from shopkb.reports.presenting.plots import DatedReading, over_time
from tests import builders
from tests.builders import TO_GROUND
from tests.conftest import NOW

CURED = Verification.Cured.YES


def test_jobs_causes_parts_and_readings_over_time(horn: Procedure, junior: User) -> None:
    first = builders.take_in(junior, registration="SB 1", odometer=160_934)
    builders.follow(builders.start(first, horn, junior), TO_GROUND, junior)
    earth = cause_for("body/horn/earth", "high resistance")
    done = repairing.RepairDetails(earth, Proof.MEASURED, "Cleaned.", uuid.uuid4(), parts="Earth strap")
    repair = repairing.record_repair(first, done, by=junior, at=NOW)
    repairing.verify_repair(repair, CURED, how="Ten times.", by=junior, at=NOW, client_id=uuid.uuid4())
    closing.close_job(first, Job.Disposition.CURED, by=junior, at=NOW)
    later = builders.take_in(junior, registration="SB 1", odometer=170_000, at=NOW + timedelta(days=40))
    way = [*TO_GROUND[:2], ("ground", "good", "0.04")]
    builders.follow(builders.start(later, horn, junior), way, junior, at=NOW + timedelta(days=40))
    page, queries = builders.get(builders.signed_in(junior), reverse("reports:vehicle", args=[first.vehicle_id]))
    assert queries <= 12
    words = builders.words_of(page)
    for said in ("100,000 miles", "Horn earth: high resistance", "Earth strap", "cured and verified", "open"):
        assert said in words
    assert "0.9 V" in words
    assert "0.04 V" in words
    assert page.content.decode().count('<svg class="drawing"') == 2  # at the supply and at the earth


def test_a_reading_stands_where_its_day_and_its_value_are() -> None:
    day = datetime(2026, 3, 1, tzinfo=UTC)
    readings = [DatedReading(day + timedelta(days=n), value) for n, value in ((0, 1.0), (50, 3.0), (100, 2.0))]
    drawn = over_time(readings, "Drop, over time", "V")
    places = [(float(x), float(y)) for x, y in re.findall(r'<circle class="ours" cx="([\d.]+)" cy="([\d.]+)"', drawn)]
    (x1, y1), (x2, y2), (x3, y3) = places
    assert x2 - x1 == x3 - x2 > 0
    assert y2 < y3 < y1
    assert round((y1 - y3) / (y1 - y2), 2) == 0.5


def test_equal_readings_and_one_moment_are_drawn_too() -> None:
    day = datetime(2026, 3, 1, tzinfo=UTC)
    assert over_time([DatedReading(day, 0.0), DatedReading(day, 0.0)], "Drop", "V").count("<circle") == 2
