"""What one saving at the desk and the redraw after it cost: ``python -m tests.benchmarks.bench_desk``.

A made-up draft in a throwaway world; milliseconds of processor time, children included, least of several, so that
another load on the computer says little. ``bare`` is Graphviz laying the same chart out in a child of its own. Goal: a
redraw under 500 ms at 60 steps.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from itertools import count
from pathlib import Path

from tests.benchmarks.bench_charts import branching, milliseconds

ROOT = Path(__file__).resolve().parent.parent.parent
SIZES = (12, 30, 60)


def measured() -> None:
    import django

    django.setup()
    from django.conf import settings
    from django.core.cache import cache
    from django.test import Client
    from django.urls import reverse
    from django.utils import timezone

    from shopkb.accounts.models import User
    from shopkb.charts.dot import flow_dot
    from shopkb.charts.render import render
    from shopkb.procedures import publishing

    settings.ALLOWED_HOSTS = ["testserver"]
    writer = User.objects.filter(role="writer").earliest("pk")
    client = Client()
    client.force_login(writer)
    numbers = count(1)
    print("| steps | save | redraw | bare | redraw / bare |\n| ---: | ---: | ---: | ---: | ---: |")
    for steps in SIZES:
        flow = replace(branching(steps, seed=1), procedure=f"bench-{steps}", system="cooling/fan")
        revision = publishing.start_draft(flow, by=writer, at=timezone.now())
        act, chart = (reverse(f"procedures:{name}", args=[flow.procedure, 1]) for name in ("desk-act", "desk-chart"))

        def save(revision=revision, act=act) -> None:  # type: ignore[no-untyped-def]
            revision.refresh_from_db()
            form = {"form": "step", "step": "s5", "title": f"Feed {next(numbers)}", "test": "look"}
            answer = client.post(act, {"based_on": revision.checksum, **form}, headers={"HX-Request": "true"})
            assert answer["Desk-Answer"] in ("saved", "cards")

        def redraw(chart=chart) -> None:  # type: ignore[no-untyped-def]
            cache.clear()
            assert "<svg" in client.get(f"{chart}?step=s5").content.decode()

        saved, drawn = milliseconds(save), milliseconds(redraw)
        bare = milliseconds(lambda flow=flow: render(flow_dot(flow), "svg", seconds=60))  # type: ignore[misc]
        print(f"| {steps} | {saved:.0f} | {drawn:.0f} | {bare:.0f} | {drawn / bare:.2f} |", flush=True)


def main() -> None:
    if "--inside" in sys.argv:
        measured()
        return
    with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as folder:
        world = {"SHOPKB_DATA_DIR": folder, "SHOPKB_WORLD": "demo", "DJANGO_SETTINGS_MODULE": "shopkb.settings"}
        place = {**os.environ, **world, "SHOPKB_DRAWING_SECONDS": "60"}
        place.pop("DATABASE_URL", None)
        made = [sys.executable, str(ROOT / "manage.py"), "demo", "--no-serve", "--jobs", "20"]
        subprocess.run(made, env=place, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
        asked = [sys.executable, "-m", "tests.benchmarks.bench_desk", "--inside"]
        subprocess.run(asked, env=place, cwd=ROOT, check=True)


if __name__ == "__main__":
    main()
