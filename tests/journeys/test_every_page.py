"""Every page in both themes on phone, tablet and office screen: access, targets, contrast, no sideways scroll.

Rules: axe-core (axe/), WCAG 2.2 levels A and AA on every page, 1.4.6 contrast (7:1) on pages used at the vehicle, 2.5.8
targets of 24 px. The larger targets at the vehicle are our own figures for gloves (48; answers 96 on a tablet, 80 on a
phone). ``python -m tests.journeys`` asks every rule at every size and prints the smallest target and the weakest
contrast that were met.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, System
from shopkb.hosting import certificates
from shopkb.procedures.models import Procedure

from .conftest import PHONE, SCREENS, TABLET, Screen, Visits
from .scenes import BLOWER, FAN, Day, busy_day

pytestmark = [pytest.mark.journey, pytest.mark.looks, pytest.mark.django_db(transaction=True)]

EVERY_SIZE = bool(os.environ.get("SHOPKB_EVERY_SIZE"))
BEGUN = "6f1f3f3e-0d5c-4b3e-9d52-0d7a2b6b8f10"
"""Id of a run that a device began and nobody has sent."""
PARTS = 4
"""The pages are shared out, so that several workers look at them."""

AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
SAYS = """
  const wrong = found.violations.map(rule => rule.id + ': ' + rule.nodes.map(node => node.target.join(' ') + ' ' +
    [...node.any, ...node.all].map(check => check.message).join(' ')).slice(0, 3).join(' | '));
  const met = [...found.passes, ...found.violations].filter(rule => rule.id === 'color-contrast')
    .flatMap(rule => rule.nodes).map(node => [node.any[0]?.data?.contrastRatio || 99, node.target.join(' ')]);
  return [wrong, met.sort((one, two) => one[0] - two[0])[0] || [99, '']];
}"""
RULES = (
    """async vehicle => {
  const found = await axe.run(document, {resultTypes: ['violations', 'passes'],
    rules: {'color-contrast-enhanced': {enabled: vehicle}, 'target-size': {enabled: true}}});"""
    + SAYS
)
CONTRAST = (
    """async vehicle => {
  const found = await axe.run(document, {resultTypes: ['violations', 'passes'],
    runOnly: ['color-contrast', 'target-size', 'scrollable-region-focusable'].concat(
      vehicle ? ['color-contrast-enhanced'] : [])});"""
    + SAYS
)
# A link inside a sentence is as high as its line (WCAG 2.5.8 excepts it); the drawing of a chart can be made larger.
TARGETS = """() => [...document.querySelectorAll(
    'a, button, input, select, textarea, summary, label:has(> input)')].flatMap(element => {
  const box = element.getBoundingClientRect(), style = getComputedStyle(element);
  if (!box.width || !box.height || style.visibility === 'hidden' || element.closest('svg, .heard, .skip')) return [];
  if (element.matches('label > input')) return [];
  const inline = style.display === 'inline' && element.matches('a');
  return inline ? [] : [[element.className || element.tagName, (element.innerText || element.name || '').slice(0, 40),
    Math.round(box.width * 10) / 10, Math.round(box.height * 10) / 10]];
})"""
FIGURES = ("changes", "tests", "minutes", "comebacks", "causes", "shelf", "honesty", "people")
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


class Worst:
    """The weakest contrast and the smallest target met, and where; by what the page is for."""

    def __init__(self) -> None:
        self.met: dict[tuple[str, str], tuple[float, str]] = {}

    def saw(self, what: str, vehicle: bool, figure: float, where: str) -> None:
        kind = ("at the vehicle" if vehicle else "in the office", what)
        if kind not in self.met or figure < self.met[kind][0]:
            self.met[kind] = (figure, where)

    def lines(self) -> list[str]:
        return [f"{use}, {what}: {figure:g} ({where})" for (use, what), (figure, where) in sorted(self.met.items())]


WORST = Worst()


def pages(day: Day) -> dict[str, tuple[str, str]]:
    """Name: who looks at it, and its address."""
    run, fan = day.measuring.pk, [FAN, 1]
    at = {
        "home-junior": ("junior", reverse("home")),
        "home-senior": ("senior", reverse("home")),
        "home-manager": ("manager", reverse("home")),
        "home-keeper": ("keeper", reverse("home")),
        "sign-in": ("", reverse("login")),
        "audit": ("keeper", reverse("upkeep:audit")),
        "people": ("keeper", reverse("people")),
        "person": ("keeper", reverse("person", args=["junior"])),
        "catalog": ("senior", reverse("catalog:index")),
        "catalog-vehicles": ("senior", reverse("catalog:entries", args=["vehicles"])),
        "catalog-meter": ("keeper", reverse("catalog:new", args=["meters"])),
        "catalog-caution": ("senior", reverse("catalog:entry", args=["cautions", Caution.objects.latest("pk").pk])),
        "catalog-remove": ("senior", reverse("catalog:remove", args=["systems", System.objects.latest("pk").pk])),
        "read-vehicles": ("keeper", reverse("jobs:read-vehicles")),
        "readers": ("keeper", f"{reverse('upkeep:readers')}?registration={day.open_job.vehicle.registration}"),
        "second-factor-set": ("senior", reverse("second-factor-set")),
        "pin": ("junior", reverse("pin")),
        "switch-not-shared": ("junior", reverse("switch")),
        "procedures": ("senior", reverse("procedures:list") + "?words=fan+never+comes+on"),
        "procedures-none": ("junior", reverse("procedures:list") + "?words=zzz"),
        "procedure": ("senior", reverse("procedures:procedure", args=[FAN])),
        "procedure-draft": ("senior", reverse("procedures:revision", args=[FAN, day.draft.number])),
        "procedure-in-review": ("second", reverse("procedures:revision", args=[BLOWER, day.in_review.number])),
        "procedure-withdrawn": (
            "junior",
            reverse("procedures:revision", args=["warning-lamp-dark", day.withdrawn.number]),
        ),
        "procedure-step": ("senior", reverse("procedures:step", args=[*fan, "supply"])),
        "procedure-text": ("senior", reverse("procedures:text", args=[FAN, day.draft.number])),
        "procedure-new": ("senior", reverse("procedures:new")),
        "safety-words": ("senior", reverse("procedures:safety-words")),
        "safety-words-proposed": ("second", reverse("procedures:proposal", args=[day.proposed])),
        "safety-words-kept": ("junior", reverse("procedures:wordings", args=["caution", "fan-starts-itself"])),
        "jobs": ("junior", reverse("jobs:list") + "?state=all"),
        "jobs-none": ("junior", reverse("jobs:list") + "?words=zzz"),
        "take-in": ("junior", reverse("jobs:new")),
        "take-in-comeback": ("junior", f"{reverse('jobs:new')}?comeback_of={day.closed_job.pk}"),
        "vehicle": ("junior", reverse("reports:vehicle", args=[day.closed_job.vehicle_id])),
        "job-open": ("junior", reverse("jobs:job", args=[day.open_job.pk])),
        "job-repaired": ("junior", reverse("jobs:job", args=[day.ended.job_id])),
        "job-closed": ("senior", reverse("jobs:job", args=[day.closed_job.pk])),
        "job-comeback": ("junior", reverse("jobs:job", args=[day.came_back.pk])),
        "repair": (
            "junior",
            f"{reverse('jobs:repair', args=[day.ended.job_id])}?result={day.ended.results.latest('pk').pk}",
        ),
        "verify": ("junior", reverse("jobs:verify", args=[day.unverified])),
        "finding": ("junior", reverse("jobs:finding", args=[day.finding])),
        "finding-new": ("junior", reverse("jobs:note-finding", args=[day.open_job.pk])),
        "write-up": ("junior", reverse("jobs:write-up", args=[day.closed_job.pk])),
        "technical": ("junior", reverse("jobs:technical", args=[day.ended.job_id])),
        "figures": ("manager", reverse("reports:figures")),
        **{f"figures-{page}": ("manager", reverse("reports:page", args=[page])) for page in FIGURES},
        "replay": ("senior", reverse("reports:replay", args=[FAN, day.draft.number])),
        "order": ("senior", reverse("reports:order", args=[FAN, 1])),
        "without": ("keeper", reverse("reports:without", args=[FAN, 1, "plug-look"])),
        "figures-decide": ("manager", day.suggestion),
        "figures-month": ("manager", reverse("reports:month", args=[f"{timezone.localdate():%Y-%m}"])),
        "figures-office": ("manager", f"{reverse('reports:office')}?month={timezone.localdate():%Y-%m}"),
        "figures-own": ("junior", reverse("reports:person", args=["junior"])),
        "shop": ("keeper", reverse("hosting:choices")),
        "shop-next": ("keeper", reverse("hosting:next")),
        "shop-by-itself": ("keeper", reverse("hosting:by-itself")),
        "shop-encryption": ("keeper", reverse("hosting:encryption")),
        "shop-tablets": ("junior", reverse("hosting:tablets")),
        "shop-trust": ("", reverse("hosting:trust")),
        "bench": ("junior", reverse("bench:bench")),
        "bench-answer": (
            "junior",
            f"{reverse('bench:computation', args=['copper-cable-drop'])}?area=2.5&length=3&current=25",
        ),
        "run-chart": ("junior", reverse("jobs:chart", args=[run])),
    }
    vehicle = {
        "step-reading": ("junior", reverse("jobs:run", args=[run])),
        "step-judged": ("junior", reverse("jobs:step", args=[run, "supply"]) + "?typed=0.86&unit=V"),
        "step-unreadable": ("junior", reverse("jobs:step", args=[run, "supply"]) + "?typed=two&unit=V"),
        "step-earlier": ("junior", reverse("jobs:step", args=[run, "both-speeds"])),
        "step-off-path": ("junior", reverse("jobs:step", args=[run, "terminal-drop"])),
        "danger": ("junior", reverse("jobs:step", args=[run, "leak-place"])),
        "more": ("junior", reverse("jobs:more", args=[run])),
        "hand-over": ("junior", reverse("jobs:hand-over", args=[run])),
        "accept": ("senior", reverse("jobs:accept", args=[day.offered])),
        "add-photo": ("junior", reverse("jobs:add-photo", args=[day.open_job.pk])),
        "step-asked": ("junior", reverse("jobs:run", args=[day.asking.pk])),
        "step-not-held": ("senior", reverse("jobs:run", args=[run])),
        "skip": ("junior", reverse("jobs:skip", args=[run, "supply"])),
        "end": ("junior", reverse("jobs:run", args=[day.ended.pk])),
        "outbox": ("junior", reverse("jobs:outbox")),
        "leave": ("junior", reverse("jobs:stop", args=[run])),
        "kept-ohms": ("junior", reverse("jobs:pack-step", args=[run, "resistor-ohms"])),
        "kept-step": ("junior", reverse("jobs:pack-step", args=[run, "supply"])),
        "kept-asked": ("junior", reverse("jobs:pack-step", args=[day.asking.pk, "pressure"])),
        "kept-danger": ("junior", reverse("jobs:pack-step", args=[run, "leak-place"])),
        "kept-end": ("junior", reverse("jobs:pack-end", args=[run])),
        "kept-repair": ("junior", reverse("jobs:pack-repair", args=[day.ended.pk])),
        "kept-check": ("junior", reverse("jobs:pack-verify", args=[day.ended.pk])),
        "kept-finding": ("junior", reverse("jobs:pack-finding", args=[day.ended.pk])),
        "begin": ("junior", reverse("jobs:begin")),
        "begun-step": ("junior", reverse("jobs:begun-page", args=[BEGUN, FAN, 1, "steps/pressure"])),
        "begun-danger": ("junior", reverse("jobs:begun-page", args=[BEGUN, FAN, 1, "steps/leak-place"])),
        "begun-repair": ("junior", reverse("jobs:begun-page", args=[BEGUN, FAN, 1, "pack-repair"])),
        "more-late": ("junior", reverse("jobs:more", args=[day.ended.pk])),
        "end-left": ("junior", reverse("jobs:run", args=[day.stopped.pk])),
    }
    return {**at, **{f"vehicle-{name}": page for name, page in vehicle.items()}}


def too_small(page: Page, screen: Screen, vehicle: bool, called: str = "") -> list[str]:
    """Targets under the least size of this screen."""
    wrong = []
    for name, words, wide, high in page.evaluate(TARGETS):
        what = f"least side of {'an answer' if str(name).startswith('answer') else 'a target'} at {screen.width} px"
        WORST.saw(what, vehicle, min(wide, high), f"{called}: {name} {words!r}")
        least = 48 if vehicle else 24
        tall = {PHONE: 80, TABLET: 96}.get(screen, 48) if str(name).startswith("answer") else least
        if wide < least or high < tall:
            wrong.append(f"{name} {words!r} {wide} x {high}, least {least} x {tall}")
    return wrong


@pytest.fixture
def cast(junior: User, senior: User, second: User, manager: User, keeper: User) -> dict[str, User]:
    return {"junior": junior, "senior": senior, "second": second, "manager": manager, "keeper": keeper}


@pytest.fixture
def day(shelf: dict[str, Procedure], cast: dict[str, User]) -> Day:
    return busy_day(shelf, cast["junior"], cast["senior"], cast["second"])


@pytest.fixture
def tls(tmp_path: Path, settings: Any) -> None:
    """As where the service speaks TLS by itself, so that the pages for tablets are as they are there."""
    settings.DATA_DIR, settings.TLS_PORT, settings.PLAIN_PORT = tmp_path, 8443, 8000
    certificates.bring_up_to_date(certificates.place_in(tmp_path), [], timezone.now())


@pytest.mark.parametrize("part", range(PARTS))
def test_every_page_obeys_the_rules(visits: Visits, day: Day, cast: dict[str, User], tls: None, part: int) -> None:
    wrong: list[str] = []
    opened: dict[str, Page] = {}
    for name, (who, address) in list(pages(day).items())[part::PARTS]:
        if who not in opened:
            opened[who] = visits.open(PHONE, cast.get(who), path=address)
        page, vehicle = opened[who], name.startswith("vehicle-")
        page.set_viewport_size({"width": PHONE.width, "height": PHONE.height})
        page.emulate_media(color_scheme="light")
        page.goto(visits.address + address)
        page.evaluate(AXE)
        wrong += looked_at(page, name, vehicle)
        if visits.kept:
            pictures_of(visits, page, name)
    print(*WORST.lines(), *wrong, sep="\n")
    assert wrong == []


def looked_at(page: Page, name: str, vehicle: bool) -> list[str]:
    """What is wrong with this page. Targets and sideways scroll are measured at every size; rules are asked on a phone
    and, in the dark, on an office screen; in the long form also at every size."""
    wrong = []
    for screen in SCREENS:
        page.set_viewport_size({"width": screen.width, "height": screen.height})
        said = [f"target {line}" for line in too_small(page, screen, vehicle, name)]
        if screen == PHONE or EVERY_SIZE:
            broken, (ratio, where) = page.evaluate(RULES, vehicle)
            WORST.saw("contrast, light", vehicle, ratio, f"{name} at {screen.width} px: {where}")
            said += [f"axe {line}" for line in broken]
        if (over := page.evaluate(SIDEWAYS)) > 0:
            said.append(f"scrolls sideways by {over}")
        wrong += [f"{name} at {screen.width}: {line}" for line in said]
    page.emulate_media(color_scheme="dark")
    broken, (ratio, where) = page.evaluate(CONTRAST, vehicle)
    WORST.saw("contrast, dark", vehicle, ratio, f"{name}: {where}")
    return wrong + [f"{name}, dark: {line}" for line in broken]


def pictures_of(visits: Visits, page: Page, name: str) -> None:
    """Pictures at every size and in both themes, and the print."""
    for screen in SCREENS:
        page.set_viewport_size({"width": screen.width, "height": screen.height})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            if scheme == "light":
                page.reload()
            visits.shot(page, f"{name}-{screen.name}-{scheme}")
    if name in ("write-up", "technical", "procedure", "run-chart", "job-closed"):
        page.emulate_media(color_scheme="light")
        page.pdf(path=visits.folder / f"{name}.pdf", prefer_css_page_size=True)
