import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0004_append_only'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='Event',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('kind', models.CharField(choices=[('started', 'started to follow'), ('value', 'value asked once'), ('danger', 'danger confirmed'), ('result', 'answered or left out'), ('retracted', 'answer taken back'), ('offered', 'handed over'), ('accepted', 'accepted'), ('taken-over', 'taken over'), ('put-back', 'put back'), ('moved', 'moved to a newer revision'), ('left', 'left before its end'), ('repair', 'repaired'), ('verified', 'cure checked'), ('closed', 'closed'), ('reopened', 'opened again')], max_length=12)),
                ('record', models.BigIntegerField(blank=True, help_text='Number of the row that says more, if any.', null=True)),
                ('digest', models.CharField(blank=True, help_text='SHA-256 of what that row said.', max_length=64)),
                ('words', models.TextField(blank=True)),
                ('at', models.DateTimeField(help_text="By the server's clock.")),
                ('device_at', models.DateTimeField(blank=True, help_text='By the clock of the device that kept it.', null=True)),
                ('hash', models.CharField(help_text='SHA-256 of all this and of the hash before it.', max_length=64)),
                ('job', models.ForeignKey(blank=True, db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='events', to='jobs.job')),
                ('run', models.ForeignKey(blank=True, db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='events', to='jobs.run')),
                ('who', models.ForeignKey(db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.UniqueConstraint(fields=('run', 'number'), name='event_once_in_run'), models.UniqueConstraint(fields=('job', 'number'), name='event_once_in_job'), models.CheckConstraint(condition=models.Q(models.Q(('job__isnull', True), ('run__isnull', False)), models.Q(('job__isnull', False), ('run__isnull', True)), _connector='OR'), name='event_of_run_or_job')],
            },
        ),
    ]
