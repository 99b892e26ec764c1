from typing import Any

from django.db import migrations

from shopkb.jobs.log import append_only


def install(apps: Any, schema_editor: Any) -> None:
    append_only.install(schema_editor.connection)


def remove(apps: Any, schema_editor: Any) -> None:
    append_only.remove(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0003_at_the_vehicle")]

    operations = [migrations.RunPython(install, remove)]
