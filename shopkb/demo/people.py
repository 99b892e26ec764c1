"""The invented people of the demo, from ``fixtures/demo/people.yaml``."""

from __future__ import annotations

from pathlib import Path

from django.contrib.auth.hashers import make_password
from pydantic import BaseModel, ConfigDict
from ruamel.yaml import YAML

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role

PASSWORD = "withy-saltings"  # noqa: S105  (of invented people, printed by the command)


class Person(BaseModel):
    """One entry: log-in, name and role."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    full_name: str
    role: Role


def read_people(path: Path) -> tuple[Person, ...]:
    return tuple(Person.model_validate(entry) for entry in YAML(typ="safe", pure=True).load(path.read_text("utf-8")))


def make_people(people: tuple[Person, ...]) -> dict[str, User]:
    """Store them, all with the demo's one password, worked out once. By log-in."""
    password = make_password(PASSWORD)
    made = User.objects.bulk_create(
        User(
            username=person.name,
            called=person.full_name,
            first_name=person.full_name.partition(" ")[0],
            last_name=person.full_name.partition(" ")[2],
            role=person.role.value,
            is_staff=person.role in (Role.WRITER, Role.KEEPER),
            password=password,
        )
        for person in people
    )
    return {user.username: user for user in made}
