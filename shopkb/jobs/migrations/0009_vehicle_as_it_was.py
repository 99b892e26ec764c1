from __future__ import annotations

from typing import Any

from django.db import migrations, models
from django.db.models import OuterRef, Subquery


def copy_from_vehicles(apps: Any, _schema_editor: Any) -> None:
    """The best that is known of earlier jobs: what the vehicle says today."""
    vehicle = apps.get_model("jobs", "Vehicle").objects.filter(pk=OuterRef("vehicle"))
    apps.get_model("jobs", "Job").objects.update(
        vin=Subquery(vehicle.values("vin")), year=Subquery(vehicle.values("year"))
    )


class Migration(migrations.Migration):
    dependencies = [("jobs", "0008_late_values")]

    operations = [
        migrations.AddField(
            "job",
            "vin",
            models.CharField("VIN", max_length=17, blank=True, default="", help_text="As it was when it was booked in."),
            preserve_default=False,
        ),
        migrations.AddField(
            "job",
            "year",
            models.PositiveSmallIntegerField(null=True, blank=True, help_text="As it was when it was booked in."),
        ),
        migrations.RunPython(copy_from_vehicles, migrations.RunPython.noop),
    ]
