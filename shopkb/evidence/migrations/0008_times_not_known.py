from typing import Any

from django.db import migrations

RECOUNT = "recount"


def count_again(apps: Any, schema_editor: Any) -> None:
    """Jobs on which the time of one step is not known have a time for their procedures now; they are counted again
    once all tables are as they should."""
    alias = schema_editor.connection.alias
    if apps.get_model("evidence", "Tally").objects.using(alias).exists():
        apps.get_model("evidence", "EvidenceLock").objects.using(alias).get_or_create(pk=RECOUNT)


class Migration(migrations.Migration):
    dependencies = [("evidence", "0007_cured_first")]

    operations = [migrations.RunPython(count_again, migrations.RunPython.noop)]
