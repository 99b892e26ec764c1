from typing import Any

from django.db import migrations, models


def forget(apps: Any, schema_editor: Any) -> None:
    """Strengths fitted on the success of branches say nothing of the shares of causes; the next night fits anew."""
    apps.get_model("evidence", "StrengthFit").objects.using(schema_editor.connection.alias).all().delete()


class Migration(migrations.Migration):
    dependencies = [("evidence", "0004_positions")]

    operations = [
        migrations.AddField(
            "strengthfit",
            "branch_weights",
            models.JSONField(default=list, help_text="One number for each strength a branch may have."),
        ),
        migrations.RunPython(forget, forget),
    ]
