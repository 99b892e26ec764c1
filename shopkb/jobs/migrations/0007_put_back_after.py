from typing import Any

from django.db import migrations, models
from django.db.models import OuterRef, Subquery
from django.db.models.functions import Coalesce


def by_the_clock(apps: Any, schema_editor: Any) -> None:
    """What is there has only its time: the newest answer that is not later."""
    alias = schema_editor.connection.alias
    PutBack, Result = apps.get_model("jobs", "PutBack"), apps.get_model("jobs", "Result")
    before = Result.objects.using(alias).filter(run=OuterRef("run"), at__lte=OuterRef("at")).order_by("-pk")
    PutBack.objects.using(alias).update(after=Coalesce(Subquery(before.values("pk")[:1]), 0))


class Migration(migrations.Migration):
    dependencies = [("jobs", "0006_chains_of_what_is_there")]

    operations = [
        migrations.AddField(
            model_name="putback",
            name="after",
            field=models.BigIntegerField(default=0, help_text="Number of the run's newest answer then; clocks may jump."),
        ),
        migrations.RunPython(by_the_clock, migrations.RunPython.noop),
    ]
