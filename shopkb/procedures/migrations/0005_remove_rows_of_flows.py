"""The rows that documents replace go. A migration of its own: PostgreSQL alters no table that it wrote to just before."""

from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ("procedures", "0004_documents"),
    ]

    operations = [
        migrations.DeleteModel("Outcome"),
        migrations.DeleteModel("Step"),
        migrations.DeleteModel("RevisionCause"),
        migrations.RemoveField("revision", "codes"),
        migrations.RemoveField("revision", "platforms"),
        migrations.RemoveField("revision", "start"),
        migrations.RemoveField("revision", "summary"),
        migrations.RemoveField("revision", "symptoms"),
        migrations.RemoveField("revision", "system_path"),
        migrations.RemoveField("revision", "values"),
        migrations.RemoveField("revision", "verify"),
    ]
