"""A closed job is on the pages with the next look at them: still possible, branches of the chart, the appraisal."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.flow.model import Flow
from shopkb.evidence.learned_procedure import LearnedProcedure
from shopkb.procedures.models import Procedure
from shopkb.procedures.views import browse
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, get, in_force, signed_in, words_of
from tests.markup import one_line


def shares(page: str) -> dict[str, int]:
    """Causes of *still possible* with their percentages."""
    found = re.findall(r'<span class="what">([^<]+)</span>.*?<b>\s*(?:under\s*)?(\d+)\s*%', page, re.DOTALL)
    return {name: int(share) for name, share in found}


def test_what_is_still_possible_moves_with_each_closing(
    client: Client, horn: Procedure, junior: User, senior: User
) -> None:
    client.force_login(junior)
    run = builders.start(builders.take_in(junior), horn, junior)
    builders.follow(run, TO_HORN[:1], junior)
    address = reverse("jobs:step", args=[run.pk, "supply"])

    def looked() -> tuple[dict[str, int], str]:
        page = client.get(address, follow=True).content.decode()
        return shares(page), one_line(page)

    before, page = looked()
    assert "no closed job yet" in page
    jobs = [builders.cured_job(horn, junior, TO_GROUND) for _ in range(4)]
    after, page = looked()
    assert after["Earth, high resistance"] > before["Earth, high resistance"] + 10
    assert "4 jobs with a proven cause" in page
    for job in jobs:
        builders.closing.reopen_job(job, by=senior)
    assert looked()[0] == before


def test_the_chart_of_a_procedure_says_the_new_rate(client: Client, horn: Procedure, junior: User) -> None:
    client.force_login(junior)
    address = reverse("procedures:procedure", args=[horn.key])
    assert "1 of 1" not in client.get(address).content.decode()
    builders.cured_job(horn, junior, TO_GROUND)
    assert "1 of 1" in client.get(address).content.decode()
    builders.cured_job(horn, junior, TO_HORN)
    page = client.get(address).content.decode()
    assert "2 of 2" in page and "1 of 1" in page


def test_a_step_explains_in_one_sentence_what_is_corrected(
    horn: Procedure, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only where a branch of the step is."""
    learned = browse.learned_today

    def corrected(flow: Flow, checksum: str) -> LearnedProcedure:
        found = learned(flow, checksum)
        here = {
            branch: replace(one, corrected=PooledRate(0.6, 0.4, 0.8, 5.0, 5.0, 1.0) if branch[0] == "press" else None)
            for branch, one in found.branches.items()
        }
        vars(found)["branches"] = here
        return found

    monkeypatch.setattr(browse, "learned_today", corrected)
    number = in_force(horn).number
    pages = [
        words_of(get(signed_in(junior), reverse("procedures:step", args=[horn.key, number, step]))[0])
        for step in ("press", "ground")
    ]
    sentence = "each checked job stands for all that ended as it did"
    assert [sentence in page for page in pages] == [True, False]
