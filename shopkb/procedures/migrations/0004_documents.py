"""Each revision gets its document, made of the rows that held its parts until now; the way back makes the rows again."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

import django.db.models.deletion
from django.db import migrations, models

from shopkb.core.flow.file.reader import read_tree
from shopkb.procedures.storing import checksum

log = logging.getLogger(__name__)
Tree = dict[str, Any]


def document_of(revision: Any, alias: str) -> Tree:
    """The tree of the procedure file, from the rows of one revision."""
    platforms = {} if revision.platforms == ["any"] else {"platforms": revision.platforms}
    head = {
        "procedure": revision.procedure.key,
        "title": revision.title,
        "system": revision.system_path,
        "symptoms": revision.symptoms,
        "codes": revision.codes,
    }
    rest = {
        "summary": revision.summary,
        "verify": revision.verify,
        "values": {row["key"]: _value(row) for row in revision.values},
        "causes": {row.key: _cause(row) for row in revision.causes.using(alias).order_by("position")},
        "start": revision.start,
        "steps": {row.key: _step(row, alias) for row in revision.steps.using(alias).order_by("position")},
    }
    return _filled(head) | platforms | _filled(rest)


def _filled(fields: Mapping[str, Any]) -> Tree:
    return {name: value for name, value in fields.items() if value}


def _number(number: float | None) -> str:
    if number is None:
        return ""
    text = format(Decimal(repr(number)), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _value(row: Mapping[str, Any]) -> Tree:
    if "compute" in row:
        return {"compute": row["compute"], **dict(row["inputs"])}
    return _filled({name: row.get(name) for name in ("ask", "unit", "from", "to")})


def _cause(row: Any) -> Tree:
    fields = {
        "component": row.component,
        "mode": row.mode,
        "usual": "" if row.usual == "occasional" else row.usual,
        "correction": row.correction,
        "minutes": _number(row.minutes),
        "price": _number(row.price),
        "also": row.also,
    }
    return _filled(fields)


def _step(row: Any, alias: str) -> Tree:
    reading = dict(row.reading or {})
    if reading:
        reading["loaded"] = "true" if reading["loaded"] else ""
    fields = {
        "title": row.title,
        "test": row.test,
        "at": row.at,
        "access": row.access,
        "minutes": _number(row.minutes),
        "needs": row.needs,
        "tools": row.tools,
        "cautions": row.cautions,
        "isolates": row.isolates,
        "picture": row.picture,
        "reading": _filled({name: reading.get(name) for name in ("quantity", "unit", "between", "loaded")}),
        "instruction": row.instruction,
        "outcomes": {each.key: _outcome(each) for each in row.outcomes.using(alias).order_by("position")},
    }
    return _filled(fields)


def _outcome(row: Any) -> Tree:
    go = {"out": "out", "hand-over": f"hand-over {row.go_key}"}.get(row.go_kind, row.go_key)
    return _filled({"label": row.label, "band": row.band, "go": go, "proof": row.proof, "note": row.note})


def write_documents(apps: Any, schema_editor: Any) -> None:
    alias = schema_editor.connection.alias
    Document = apps.get_model("procedures", "Document")
    revisions = apps.get_model("procedures", "Revision").objects.using(alias).select_related("procedure")
    for revision in revisions.order_by("pk").iterator(chunk_size=50):
        tree = document_of(revision, alias)
        text = json.dumps(tree, ensure_ascii=False, separators=(",", ":"))
        Document.objects.using(alias).create(revision_id=revision.pk, text=text)
        flow = read_tree(tree).flow
        if revision.checksum and (flow is None or checksum(flow) != revision.checksum):
            log.warning("%s, revision %s: its checksum is another.", revision.procedure.key, revision.number)


def write_rows(apps: Any, schema_editor: Any) -> None:
    alias = schema_editor.connection.alias
    documents = apps.get_model("procedures", "Document").objects.using(alias)
    for document in documents.order_by("pk").select_related("revision").iterator(chunk_size=50):
        rows_of(apps, document.revision, json.loads(document.text), alias)


def rows_of(apps: Any, revision: Any, tree: Tree, alias: str) -> None:
    """The parts of one document as the rows of before."""
    revision.system_path = tree["system"]
    revision.platforms = tree.get("platforms", ["any"])
    for name in ("summary", "verify", "start"):
        setattr(revision, name, tree.get(name, ""))
    for name in ("symptoms", "codes"):
        setattr(revision, name, tree.get(name, []))
    revision.values = [_value_row(key, each) for key, each in tree.get("values", {}).items()]
    revision.save(using=alias)
    RevisionCause, Step = (apps.get_model("procedures", name) for name in ("RevisionCause", "Step"))
    for place, (key, cause) in enumerate(tree.get("causes", {}).items()):
        fields = _held(RevisionCause, {"usual": "occasional", **cause, **_numbers(cause, "minutes", "price")})
        RevisionCause.objects.using(alias).create(revision_id=revision.pk, position=place, key=key, **fields)
    for place, (key, step) in enumerate(tree.get("steps", {}).items()):
        fields = {name: value for name, value in step.items() if name != "outcomes"} | _numbers(step, "minutes")
        if reading := step.get("reading"):
            told = {name: reading[name] for name in ("quantity", "unit", "between") if name in reading}
            fields["reading"] = {"between": [], **told, "loaded": "loaded" in reading}
        row = Step.objects.using(alias).create(revision_id=revision.pk, position=place, key=key, **_held(Step, fields))
        apps.get_model("procedures", "Outcome").objects.using(alias).bulk_create(_outcome_rows(apps, row, tree, step))


def _held(model: Any, fields: Tree) -> Tree:
    """What the table of before has a column for; what procedures say since is lost on the way back."""
    columns = {field.name for field in model._meta.get_fields()}
    return {name: value for name, value in fields.items() if name in columns}


def _numbers(fields: Tree, *names: str) -> Tree:
    return {name: float(fields[name]) for name in names if name in fields}


def _value_row(key: str, value: Tree) -> Tree:
    if "compute" in value:
        inputs = [[name, text] for name, text in value.items() if name != "compute"]
        return {"key": key, "compute": value["compute"], "inputs": inputs}
    return {"key": key, **value}


def _outcome_rows(apps: Any, step: Any, tree: Tree, fields: Tree) -> Iterator[Any]:
    Outcome = apps.get_model("procedures", "Outcome")
    for place, (key, outcome) in enumerate(fields.get("outcomes", {}).items()):
        kind, to = _go(outcome.get("go", ""), tree)
        rest = {name: outcome[name] for name in ("label", "band", "proof", "note") if name in outcome}
        yield Outcome(step_id=step.pk, position=place, key=key, go_kind=kind, go_key=to, **rest)


def _go(text: str, tree: Tree) -> tuple[str, str]:
    if text == "out":
        return "out", ""
    if text.startswith("hand-over "):
        return "hand-over", text.removeprefix("hand-over ")
    if text in tree.get("steps", {}):
        return "step", text
    return "cause" if text in tree.get("causes", {}) else "nowhere", text


class Migration(migrations.Migration):

    dependencies = [
        ("procedures", "0003_pictures"),
    ]

    operations = [
        migrations.CreateModel(
            name="Document",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("text", models.TextField()),
                (
                    "revision",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE, related_name="document", to="procedures.revision"
                    ),
                ),
            ],
        ),
        # On the way back these columns come again before they are filled.
        migrations.AlterField("revision", "system_path", models.CharField(default="", max_length=300)),
        migrations.AlterField("revision", "start", models.CharField(default="", max_length=60)),
        migrations.RunPython(write_documents, write_rows),
    ]
