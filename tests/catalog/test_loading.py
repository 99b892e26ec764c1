from __future__ import annotations

import json
from decimal import Decimal
from io import StringIO
from pathlib import Path

import pytest
from django.core.exceptions import PermissionDenied
from django.core.management import CommandError, call_command

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.catalog import trees
from shopkb.catalog.loading import load_folder
from shopkb.catalog.models import Access, Cause, Caution, Meter, Platform, Symptom, System
from shopkb.catalog.trees import LoadCount
from shopkb.catalog.verifying import verify

pytestmark = pytest.mark.django_db

STARTER = Path(__file__).parents[2] / "fixtures" / "starter"

FILES = {
    "systems.yaml": """
- key: body
  name: Body
  children:
    - {key: horn, name: Horn, hazards: [airbag], children: [{key: relay, name: Horn relay}]}
""",
    "platforms.yaml": "- {key: curlew, name: Curlew, children: [{key: dunlin, name: Dunlin}]}",
    "symptoms.yaml": "- {key: horn-silent, name: Horn is silent, system: body/horn, words: [no beep], codes: [B0900]}",
    "cautions.yaml": """
- {key: loud, signal: CAUTION, title: Loud noise, text: Cover your ears., hazards: []}
- {key: hv, signal: DANGER, title: High voltage, text: Keep off., hazards: [high-voltage], ask: The plug is out.}
""",
    "access.yaml": "- {key: bumper-off, name: Bumper off, minutes: 12.5, hazards: [lifted-vehicle]}",
    "causes.yaml": "- {component: body/horn/relay, mode: burnt contacts}",
    "meters.yaml": """
- key: bench
  name: Bench meter
  accuracies: [{quantity: voltage, top: 60 V, percent: 0.1, counts: 2, resolution: 10 mV}]
""",
    "people.yaml": "- read by others",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def everything() -> dict[str, list[dict[str, object]]]:
    models = (System, Platform, Symptom, Cause, Caution, Access, Meter)
    return {model.__name__: list(model.objects.order_by("pk").values()) for model in models}


def faults_of(folder: Path) -> list[str]:
    before = everything()
    loaded = load_folder(folder)
    assert loaded.counts == {}
    assert everything() == before
    return [fault.text() for fault in loaded.faults]


def test_a_folder_fills_the_catalog(folder: Path) -> None:
    loaded = load_folder(folder)
    assert loaded.faults == ()
    assert loaded.counts == {
        "systems.yaml": LoadCount(3),
        "platforms.yaml": LoadCount(2),
        "symptoms.yaml": LoadCount(1),
        "cautions.yaml": LoadCount(2),
        "access.yaml": LoadCount(1),
        "causes.yaml": LoadCount(1),
        "meters.yaml": LoadCount(1),
    }
    assert [node.path for node in System.objects.all()] == ["body", "body/horn", "body/horn/relay"]
    symptom = Symptom.objects.get()
    assert (symptom.system.path if symptom.system else "", symptom.words, symptom.codes) == (
        "body/horn",
        ["no beep"],
        ["B0900"],
    )
    assert Access.objects.get().minutes == Decimal("12.5")
    assert Cause.objects.get().identity == "body/horn/relay#burnt contacts"
    assert verify(System).findings == verify(Platform).findings == ()


def test_the_same_again_changes_nothing(folder: Path) -> None:
    load_folder(folder)
    rows = everything()
    counts = load_folder(folder).counts
    assert counts["systems.yaml"] == LoadCount(same=3)
    assert all(count.added == count.changed == 0 for count in counts.values())
    assert everything() == rows


def test_what_differs_is_made_to_agree_and_the_shops_own_stays(folder: Path) -> None:
    load_folder(folder)
    Symptom.objects.update(name="Old", words=[], system=None)
    Caution.objects.create(key="own", signal="NOTICE", title="Own", text="Own")
    (folder / "causes.yaml").write_text("- {component: body/horn/relay, mode: Burnt Contacts}", encoding="utf-8")
    counts = load_folder(folder).counts
    assert counts["symptoms.yaml"] == LoadCount(changed=1)
    assert counts["cautions.yaml"] == LoadCount(same=2)
    assert counts["causes.yaml"] == LoadCount(same=1)
    symptom = Symptom.objects.get()
    assert (symptom.name, symptom.words, symptom.system) == (
        "Horn is silent",
        ["no beep"],
        System.objects.get(key="horn"),
    )
    assert Caution.objects.filter(key="own").exists()


def test_a_dry_run_counts_and_stores_nothing(folder: Path) -> None:
    loaded = load_folder(folder, dry_run=True)
    assert loaded.counts["systems.yaml"] == LoadCount(3)
    assert not any(everything().values())


def test_a_folder_may_hold_part_of_the_catalog(tmp_path: Path) -> None:
    trees.add(System, key="horn", name="Horn")
    (tmp_path / "causes.yaml").write_text("- {component: horn, mode: open circuit}", encoding="utf-8")
    assert load_folder(tmp_path).counts == {"causes.yaml": LoadCount(1)}


def test_only_who_may_change_the_catalog_loads(folder: Path) -> None:
    junior = User.objects.create_user("junior", role=Role.TECHNICIAN)
    with pytest.raises(PermissionDenied):
        load_folder(folder, by=junior)
    assert load_folder(folder, by=User.objects.create_user("keeper", role=Role.KEEPER)).faults == ()


def test_every_fault_of_every_file_is_told_in_one_pass(folder: Path) -> None:
    wrong = {
        "systems.yaml": """
- key: body
  name: Body
  children:
    - {key: horn, name: Horn}
    - {key: horn, name: Horn again}
    - {name: No key}
    - {key: lamp, name: Lamp, hazards: airbag, colour: red}
    - {key: Big Lamp, name: Lamp, children: none}
""",
        "platforms.yaml": "- {key: curlew, name: Curlew, hazards: [airbag]}",
        "symptoms.yaml": """
- {key: a, name: A, system: body/hron}
- {key: a, name: A, codes: [P04]}
- text
- {key: b, name: 12}
""",
        "cautions.yaml": "- {key: c, signal: WARNING, title: C, text: C, hazards: [airbag], ask: What}",
        "access.yaml": "- {key: d, name: D, minutes: many, hazards: []}",
        "causes.yaml": "- {component: body/horn}",
        "meters.yaml": "- {key: e, name: E, accuracies: [{quantity: voltage, top: 6 A}]}",
    }
    for name, text in wrong.items():
        (folder / name).write_text(text, encoding="utf-8")
    told = faults_of(folder)
    expected = [
        "systems.yaml: body/horn: Given twice. Give each key once among its siblings.",
        "systems.yaml: entry 3 below body, key: This field is missing.",
        "systems.yaml: entry 4 below body, colour: No such field. Known are: key, name, hazards, children.",
        "systems.yaml: body/lamp, hazards: Hazards are a list of hazard keys.",
        "systems.yaml: body/Big Lamp, key: 'Big Lamp' cannot be a key. Use small letters, digits and single hyphens "
        "between them, such as big-lamp.",
        "systems.yaml: body/Big Lamp, children: This should be a list of nodes.",
        "platforms.yaml: entry 1, hazards: No such field. Known are: key, name, children.",
        "symptoms.yaml: entry 2 (a): Given twice. Give it once.",
        "symptoms.yaml: entry 2 (a), codes: 'P04' has 3 characters, a fault code has 5. A code is P, C, B or U, a "
        "figure from 0 to 3 and three of 0-9 or A-F, as in P0480.",
        "symptoms.yaml: entry 3: This should be fields with values: key, name, system, words, codes.",
        "symptoms.yaml: entry 4 (b), name: 12 is no text. Put it in quotation marks.",
        "cautions.yaml: entry 1 (c), ask: Only a DANGER caution asks for a state. Choose DANGER or clear the question.",
        "access.yaml: entry 1 (d), minutes: “many” value must be a decimal number.",
        "causes.yaml: entry 1, mode: This field is missing.",
        "meters.yaml: entry 1 (e), accuracies: Range 1: A range is not complete. It needs these and nothing else: "
        "quantity, top, percent, counts, resolution.",
        "symptoms.yaml: entry 1 (a), system: No system has the path 'body/hron'. Add it to systems.yaml or correct the "
        "path.",
    ]
    assert told == expected


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"- {key: a", "Line 1: cannot be read as YAML (expected ',' or '}', but got '<stream end>')."),
        (b"key: a", "The file should hold a list, each entry beginning with a hyphen."),
        (b"- {key: \xff}", "The file is not UTF-8 text, first at byte 8. Save it as UTF-8."),
        (b"- &one {key: a, name: A}\n- *one", "The file repeats parts by alias (*name). Write each part out."),
        (
            b"- {key: a, key: b, name: A}",
            'Line 1: cannot be read as YAML (found duplicate key "key" with value "b" (original value: "a")).',
        ),
        (
            b"- !!python/name:os.system x",
            "Line 1: cannot be read as YAML (could not determine a constructor for the tag "
            "'tag:yaml.org,2002:python/name:os.system').",
        ),
        (b"#" * (1024 * 1024 + 1), "The file is larger than 1024 KiB. Split it or shorten it."),
        (b"- " + b"[" * 5000 + b"]" * 5000, "The file is nested too deep to be read. Make it flatter."),
    ],
)
def test_a_file_that_cannot_be_read(tmp_path: Path, text: bytes, message: str) -> None:
    (tmp_path / "symptoms.yaml").write_bytes(text)
    assert faults_of(tmp_path) == [f"symptoms.yaml: {message}"]


@pytest.mark.parametrize(
    ("file", "text", "fault"),
    [
        (
            "cautions.yaml",
            f"- {{key: loud, signal: CAUTION, title: Loud, text: {'x' * 1001}, hazards: []}}",
            "cautions.yaml: entry 1 (loud), text: 1,001 characters are more than the 1,000 that can be kept. "
            "Shorten it.",
        ),
        (
            "cautions.yaml",
            '- {key: loud, signal: CAUTION, title: "Loud \\ud83d", text: Cover your ears., hazards: []}',
            "cautions.yaml: entry 1 (loud), title: There is half a character (U+D83D) in it, which is no text. "
            "Type it anew.",
        ),
        (
            "systems.yaml",
            '- {key: body, name: "Body\\0"}',
            "systems.yaml: body, name: There is a null character in it, which is no text. Type it anew.",
        ),
        (
            "symptoms.yaml",
            '- {key: silent, name: Silent, words: ["no beep \\ud83d"]}',
            "symptoms.yaml: entry 1 (silent), words: There is half a character (U+D83D) in it, which is no text. "
            "Type it anew.",
        ),
    ],
)
def test_what_no_database_holds_is_a_fault_of_its_field(tmp_path: Path, file: str, text: str, fault: str) -> None:
    (tmp_path / file).write_text(text, encoding="utf-8")
    assert faults_of(tmp_path) == [fault]


def test_a_tree_has_a_deepest_level(tmp_path: Path) -> None:
    text = ""
    for depth in range(15):
        text += f"{'  ' * 2 * depth}- key: k{depth}\n{'  ' * 2 * depth}  name: N\n{'  ' * 2 * depth}  children:\n"
    (tmp_path / "systems.yaml").write_text(f"{text}{'  ' * 30}- {{key: last, name: N}}\n", encoding="utf-8")
    place = "/".join(f"k{depth}" for depth in range(13))
    assert faults_of(tmp_path) == [f"systems.yaml: {place}: The tree has more than 12 levels. Make it flatter."]


def test_a_folder_without_catalog_files(tmp_path: Path) -> None:
    assert faults_of(tmp_path) == [
        f"{tmp_path}: No catalog file here. Expected any of: systems.yaml, platforms.yaml, symptoms.yaml, "
        "other-words.yaml, cautions.yaml, access.yaml, causes.yaml, meters.yaml."
    ]


def run(*options: object) -> tuple[int, str, str]:
    out = StringIO()
    try:
        call_command("load_catalog", *map(str, options), stdout=out)
    except CommandError as error:
        return error.returncode, out.getvalue(), str(error)
    return 0, out.getvalue(), ""


def test_the_command_says_what_it_did(folder: Path) -> None:
    for name in ("symptoms", "cautions", "access", "causes", "meters"):
        (folder / f"{name}.yaml").unlink()
    assert run(folder, "--dry-run") == (
        0,
        "systems.yaml: 3 added, 0 changed, 0 as they were.\n"
        "platforms.yaml: 2 added, 0 changed, 0 as they were.\n"
        "Dry run: nothing was stored.\n",
        "",
    )
    assert run(folder)[0] == 0
    assert run(folder)[1].startswith("systems.yaml: 0 added, 0 changed, 3 as they were.\n")


def test_the_command_on_faults(folder: Path) -> None:
    (folder / "causes.yaml").write_text("- {component: gone, mode: worn}", encoding="utf-8")
    fault = "No system has the path 'gone'. Add it to systems.yaml or correct the path."
    assert run(folder) == (
        1,
        f"causes.yaml: entry 1 (gone worn), component: {fault}\n",
        "Faults in the files: 1. Nothing was loaded.",
    )
    code, out, _ = run(folder, "--json")
    assert code == 1
    assert json.loads(out) == {
        "stored": False,
        "counts": {},
        "faults": [{"file": "causes.yaml", "field": "entry 1 (gone worn), component", "message": fault}],
    }


def test_the_command_as_json(folder: Path) -> None:
    loaded = json.loads(run(folder, "--json")[1])
    assert loaded["stored"] is True
    assert loaded["counts"]["causes.yaml"] == {"added": 1, "changed": 0, "same": 0, "proposed": 0}
    assert loaded["faults"] == []


def test_the_command_asked_wrongly(tmp_path: Path) -> None:
    nowhere = tmp_path / "nowhere"
    assert run(nowhere) == (2, "", f"{nowhere} is not a folder. Name the folder that holds systems.yaml.")


def test_the_starter_catalog_loads_without_a_fault() -> None:
    loaded = load_folder(STARTER)
    assert [fault.text() for fault in loaded.faults] == []
    assert len(loaded.counts) == 8
    assert verify(System).findings == verify(Platform).findings == ()
