from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("accounts", "0001_initial")]

    operations = [
        migrations.AddField(
            model_name="user",
            name="pin",
            field=models.CharField(
                blank=True, editable=False, help_text="A hash; empty: none.", max_length=128, verbose_name="PIN"
            ),
        ),
    ]
