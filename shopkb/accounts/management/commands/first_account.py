from __future__ import annotations

import getpass
import sys
from argparse import ArgumentParser
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role

FAULTY, REFUSED = 1, 2


class Command(BaseCommand):
    help = (
        "Make the first account: a keeper, who makes the others. There is no default password. "
        "Exits with 0 when it was made, 1 when name or password will not do, 2 when there is a keeper already."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="The name to sign in with.")
        parser.add_argument("--called", default="", help="The name as the shop says it.")
        parser.add_argument("--stdin", action="store_true", help="Read the password from standard input, one line.")

    def handle(self, *args: Any, **options: Any) -> None:
        if User.objects.filter(role=Role.KEEPER, is_active=True).exists():
            raise CommandError("There is a keeper already, who can make accounts under People.", returncode=REFUSED)
        user = User(username=options["name"], called=options["called"], role=Role.KEEPER)
        password = sys.stdin.readline().rstrip("\n") if options["stdin"] else self._asked()
        try:
            validate_password(password, user)
            user.set_password(password)
            user.full_clean()
        except ValidationError as error:
            raise CommandError(" ".join(error.messages), returncode=FAULTY) from error
        user.save()
        self.stdout.write(f"{user.username} can sign in and manage people.")

    def _asked(self) -> str:
        password = getpass.getpass("Password: ")
        if getpass.getpass("Again: ") != password:
            raise CommandError("The two were not the same. Nothing was made.", returncode=FAULTY)
        return password
