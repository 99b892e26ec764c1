from typing import Any

from django.db import migrations, models

RECOUNT = "recount"


def count_again(apps: Any, schema_editor: Any) -> None:
    """Which jobs the first repair cured stands in the jobs only; they are counted again once all tables are as they
    should."""
    alias = schema_editor.connection.alias
    if apps.get_model("evidence", "Tally").objects.using(alias).exists():
        apps.get_model("evidence", "EvidenceLock").objects.using(alias).get_or_create(pk=RECOUNT)


class Migration(migrations.Migration):
    dependencies = [("evidence", "0006_recalibration")]

    operations = [
        migrations.AddField("tally", "cured_first", models.IntegerField(default=0)),
        migrations.RunPython(count_again, migrations.RunPython.noop),
    ]
