from __future__ import annotations

import pytest
from django.core.exceptions import PermissionDenied

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.catalog import trees
from shopkb.catalog.models import Cause, Platform, Symptom, System
from shopkb.catalog.trees import NodeValue
from shopkb.catalog.verifying import verify

pytestmark = pytest.mark.django_db


@pytest.fixture
def body() -> System:
    return trees.add(System, key="body", name="Body")


@pytest.fixture
def horn(body: System) -> System:
    return trees.add(System, key="horn", name="Horn", parent=body, hazards=["airbag"])


def test_a_node_knows_its_path(body: System, horn: System) -> None:
    relay = trees.add(System, key="relay", name=" Horn relay ", parent=horn)
    assert [node.path for node in System.objects.all()] == ["body", "body/horn", "body/horn/relay"]
    assert relay.name == "Horn relay"
    assert horn.hazards == ["airbag"]
    assert verify(System).findings == ()


def test_siblings_stand_in_order_of_their_names(body: System) -> None:
    for key, name in (("b", "Wipers"), ("a", "Horn"), ("c", "Lamps")):
        trees.add(System, key=key, name=name, parent=body)
    assert [node.name for node in System.objects.filter(parent=body)] == ["Horn", "Lamps", "Wipers"]


def test_a_stale_parent_does_no_harm(body: System) -> None:
    stale = System.objects.get(pk=body.pk)
    for number in range(5):
        trees.add(System, key=f"lamp-{number}", name=f"Lamp {9 - number}", parent=stale)
    assert verify(System).findings == ()


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        (
            {"key": "Horn relay", "name": "Relay"},
            "'Horn relay' cannot be a key. Use small letters, digits and single hyphens between them, "
            "such as horn-relay.",
        ),
        (
            {"key": "k" * 61, "name": "Relay"},
            f"The key '{'k' * 37}...' has 61 characters. Shorten it to at most 60.",
        ),
        ({"key": "relay", "name": "  "}, "A node needs a name. Write what people in the shop call it."),
        (
            {"key": "relay", "name": "n" * 121},
            f"The name {'n' * 121} is longer than 120 characters. Write a shorter one.",
        ),
        ({"key": "relay", "name": "Relay", "hazards": ["airbag", "airbag"]}, "'airbag' is listed twice. List it once."),
    ],
)
def test_a_faulty_node_is_refused(values: dict[str, object], sentence: str) -> None:
    with pytest.raises(trees.FaultyNode) as refusal:
        trees.add(System, **values)  # type: ignore[arg-type]
    assert str(refusal.value) == sentence


def test_an_unknown_hazard_is_refused_with_those_known(horn: System) -> None:
    with pytest.raises(trees.FaultyNode) as refusal:
        trees.set_hazards(horn, ["dragons"])
    assert str(refusal.value).startswith("'dragons' is no known hazard. Known are: hot-coolant, self-starting-fan,")


def test_a_key_is_taken_once_among_siblings(body: System, horn: System) -> None:
    with pytest.raises(trees.DuplicateKey) as refusal:
        trees.add(System, key="horn", name="Another horn", parent=body)
    assert str(refusal.value) == "Below Body the key horn is taken. Choose another key."
    with pytest.raises(trees.DuplicateKey) as refusal:
        trees.add(System, key="body", name="Another body")
    assert str(refusal.value) == "At the top of the tree the key body is taken. Choose another key."
    assert trees.add(System, key="body", name="Body of the horn", parent=horn).path == "body/horn/body"


def test_a_path_has_a_longest_length() -> None:
    node = None
    for letter in "abcde":
        node = trees.add(System, key=letter * 58, name=letter, parent=node)
    with pytest.raises(trees.FaultyNode) as refusal:
        trees.add(System, key="f" * 10, name="f", parent=node)
    path = "/".join(letter * 58 for letter in "abcde") + "/" + "f" * 10
    assert str(refusal.value) == f"The path {path} is longer than 300 characters. Use shorter keys."
    root = trees.add(System, key="z" * 58, name="z")
    with pytest.raises(trees.FaultyNode) as refusal:
        trees.move(System.objects.get(key="a" * 58), root)
    assert str(refusal.value) == "A path below a would be longer than 300 characters. Choose a place less deep."


def test_a_new_name_leaves_key_and_path(horn: System) -> None:
    renamed = trees.rename(horn, "Signal horn")
    assert (renamed.name, renamed.key, renamed.path) == ("Signal horn", "horn", "body/horn")


def test_a_new_name_moves_it_among_its_siblings(body: System, horn: System) -> None:
    trees.add(System, key="lamps", name="Lamps", parent=body)
    trees.rename(horn, "Signal horn")
    assert [node.name for node in System.objects.filter(parent=body)] == ["Lamps", "Signal horn"]
    assert verify(System).findings == ()


def test_paths_follow_a_move(body: System, horn: System) -> None:
    trees.add(System, key="relay", name="Relay", parent=horn)
    trees.add(System, key="horn-lamp", name="No child of horn", parent=body)
    power = trees.add(System, key="power", name="Power")
    moved = trees.move(horn, power)
    assert moved.path == "power/horn"
    assert set(System.objects.values_list("path", flat=True)) == {
        "body",
        "body/horn-lamp",
        "power",
        "power/horn",
        "power/horn/relay",
    }
    trees.move(moved, None)
    assert System.objects.get(key="relay").path == "horn/relay"
    assert verify(System).findings == ()


def test_a_move_to_where_it_stands_changes_nothing(body: System, horn: System) -> None:
    assert trees.move(horn, body).path == "body/horn"
    assert trees.move(body, None).path == "body"


def test_a_move_below_itself_is_refused(body: System, horn: System) -> None:
    sentence = "Body cannot hang below itself or what stands below it. Choose a place outside Body."
    for target in (body, horn):
        with pytest.raises(trees.BelowItself) as refusal:
            trees.move(body, target)
        assert str(refusal.value) == sentence


def test_a_move_onto_a_taken_key_is_refused(body: System, horn: System) -> None:
    other = trees.add(System, key="horn", name="Other horn")
    with pytest.raises(trees.DuplicateKey) as refusal:
        trees.move(other, body)
    assert str(refusal.value) == "Below Body the key horn is taken. Choose another key."


def test_a_leaf_goes(body: System, horn: System) -> None:
    trees.remove(horn)
    assert list(System.objects.values_list("path", flat=True)) == ["body"]
    assert verify(System).findings == ()


def test_a_node_in_use_says_by_what(body: System, horn: System) -> None:
    for key, name in (("a", "Horn is silent"), ("b", "Horn is weak"), ("c", "Horn sticks"), ("d", "Horn rattles")):
        Symptom.objects.create(key=key, name=name, system=horn)
    Cause.objects.create(component=horn, mode="open circuit")
    with pytest.raises(trees.StillInUse) as refusal:
        trees.remove(horn)
    assert str(refusal.value) == (
        "Horn cannot be removed. It is used by 4 symptoms (Horn is silent, Horn is weak, Horn rattles and 1 more) and "
        "1 cause (Horn: open circuit). Remove these or point them elsewhere first."
    )
    with pytest.raises(trees.StillInUse) as refusal:
        trees.remove(body)
    assert str(refusal.value) == (
        "Body cannot be removed. It is used by 1 system below it (Horn). Remove these or point them elsewhere first."
    )


def test_a_node_that_went_meanwhile(body: System, horn: System) -> None:
    trees.remove(System.objects.get(pk=horn.pk))
    for write in (
        lambda: trees.rename(horn, "New"),
        lambda: trees.move(horn, None),
        lambda: trees.remove(horn),
        lambda: trees.set_hazards(horn, []),
        lambda: trees.add(System, key="relay", name="Relay", parent=horn),
    ):
        with pytest.raises(trees.NodeGone) as refusal:
            write()
        assert str(refusal.value) == "Horn was removed by somebody else meanwhile. Open the list again."


def test_only_who_may_change_the_catalog_gets_through_any_door(body: System, horn: System) -> None:
    junior = User.objects.create_user("junior", role=Role.TECHNICIAN)
    for write in (
        lambda: trees.add(System, key="x", name="X", by=junior),
        lambda: trees.rename(horn, "X", by=junior),
        lambda: trees.move(horn, None, by=junior),
        lambda: trees.remove(horn, by=junior),
        lambda: trees.set_hazards(horn, [], by=junior),
        lambda: trees.load(System, [NodeValue("x", "X")], by=junior),
    ):
        with pytest.raises(PermissionDenied) as refusal:
            write()
        assert str(refusal.value) == ("Your role does not let you change the catalog. These roles may: writer, keeper.")
    writer = User.objects.create_user("writer", role=Role.WRITER)
    assert trees.rename(horn, "Signal horn", by=writer).name == "Signal horn"


VALUES = (
    NodeValue("body", "Body", children=(NodeValue("horn", "Horn", ("airbag",)), NodeValue("lamps", "Lamps"))),
    NodeValue("power", "Power"),
)


def test_a_load_fills_the_tree_and_again_changes_nothing() -> None:
    assert trees.load(System, VALUES) == trees.LoadCount(added=4)
    rows = list(System.objects.values())
    assert trees.load(System, VALUES) == trees.LoadCount(same=4)
    assert list(System.objects.values()) == rows
    assert verify(System).findings == ()


def test_a_load_changes_what_differs_and_leaves_the_rest(body: System) -> None:
    own = trees.add(System, key="own", name="The shop's own", parent=body)
    trees.add(System, key="lamps", name="Zzz", parent=body)
    assert trees.load(System, VALUES) == trees.LoadCount(added=2, changed=1, same=1)
    assert [node.path for node in System.objects.all()] == ["body", "body/horn", "body/lamps", own.path, "power"]
    assert System.objects.get(path="body/horn").hazards == ["airbag"]
    assert verify(System).findings == ()


def test_a_load_of_platforms() -> None:
    trees.load(Platform, (NodeValue("curlew", "Curlew", children=(NodeValue("dunlin", "Dunlin"),)),))
    assert [node.path for node in Platform.objects.all()] == ["curlew", "curlew/dunlin"]


def test_a_faulty_load_stores_nothing() -> None:
    with pytest.raises(trees.DuplicateKey) as refusal:
        trees.load(System, (NodeValue("a", "A", children=(NodeValue("b", "B"), NodeValue("b", "C"))),))
    assert str(refusal.value) == "a/b is given twice. Give each key once among its siblings."
    assert not System.objects.exists()
