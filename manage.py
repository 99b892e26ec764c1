#!/usr/bin/env python
"""Command line of shopkb: ``python manage.py help`` lists what it can do."""

import os
import sys

IN_THE_DEMO = ("demo", "compare_truth")
"""Commands about the demo world, which lives in a database file of its own, never in the shop's."""


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shopkb.settings")
    if sys.argv[1:2] and sys.argv[1] in IN_THE_DEMO:
        os.environ.setdefault("SHOPKB_WORLD", "demo")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        sys.exit(f"{error}")


if __name__ == "__main__":
    main()
