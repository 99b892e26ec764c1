from collections.abc import Iterator
from typing import Any

from django.db import migrations

from shopkb.jobs.event import Event
from shopkb.jobs.log.hash_chain import EventData, Kind, event_data
from shopkb.jobs.log.chains_from_rows import job_chain, run_chain

CHUNK = 200
PARTS = (
    "runs__values", "runs__results__retraction", "runs__dangers_passed", "runs__put_back", "runs__hand_overs",
    "repairs__also", "repairs__verifications",
)


def events_of(job: Any) -> Iterator[Event]:
    """The chains that the doors would have written for this job; answers to questions nobody logged are left out."""
    chains = []
    for run in sorted(job.runs.all(), key=lambda row: row.pk):
        results = sorted(run.results.all(), key=lambda row: row.pk)
        taken_back = [row.retraction for row in results if hasattr(row, "retraction")]
        more = [event_data(Kind.RETRACTED, row, who=row.who_id, at=row.at) for row in taken_back]
        for row in run.hand_overs.all():
            more.append(event_data(Kind.OFFERED, row, who=row.giver_id, at=row.at))
            if row.accepted_at is not None:
                more.append(EventData(Kind.ACCEPTED, row.receiver_id, row.accepted_at, row.pk))
        chains.append(run_chain(run, run.values.all(), results, run.dangers_passed.all(), run.put_back.all(), more))
    repairs = [(row, [cause.pk for cause in row.also.all()]) for row in job.repairs.all()]
    verified = [row for repair, _also in repairs for row in repair.verifications.all()]
    for chain in chains:
        yield from chain
    yield from job_chain(job, repairs, verified, chains)


def write_chains(apps: Any, schema_editor: Any) -> None:
    alias = schema_editor.connection.alias
    jobs, events = apps.get_model("jobs", "Job"), apps.get_model("jobs", "Event")
    names = [field.attname for field in events._meta.concrete_fields if field.attname != "id"]
    chosen = jobs.objects.using(alias).order_by("pk").prefetch_related(*PARTS)
    for job in chosen.iterator(chunk_size=CHUNK):
        told = [events(**{name: getattr(event, name) for name in names}) for event in events_of(job)]
        events.objects.using(alias).bulk_create(told)


class Migration(migrations.Migration):
    dependencies = [("jobs", "0005_event_log")]

    operations = [migrations.RunPython(write_chains, migrations.RunPython.noop)]
