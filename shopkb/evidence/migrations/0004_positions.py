from typing import Any

from django.db import migrations, models

RECOUNT = "recount"
FIELDS = ["procedure", "step", "outcome", "cause", "proof", "platform", "month"]


def count_again(apps: Any, schema_editor: Any) -> None:
    """Where each result was got stands in the jobs only; they are counted again once all tables are as they should."""
    alias = schema_editor.connection.alias
    if apps.get_model("evidence", "Tally").objects.using(alias).exists():
        apps.get_model("evidence", "EvidenceLock").objects.using(alias).get_or_create(pk=RECOUNT)


def forget(apps: Any, schema_editor: Any) -> None:
    """An earlier version tells nothing apart by position; its ``rebuild_evidence`` counts the jobs its way."""
    apps.get_model("evidence", "Tally").objects.using(schema_editor.connection.alias).all().delete()


class Migration(migrations.Migration):
    dependencies = [("evidence", "0003_found_together")]

    operations = [
        migrations.AddField("tally", "position", models.CharField(blank=True, default="", max_length=12), preserve_default=False),
        migrations.RunPython(migrations.RunPython.noop, forget),
        migrations.RemoveConstraint("tally", "tally_key_once"),
        migrations.AddConstraint("tally", models.UniqueConstraint(fields=[*FIELDS, "position"], name="tally_key_once")),
        migrations.RunPython(count_again, migrations.RunPython.noop),
    ]
