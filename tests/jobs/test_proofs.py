"""What speaks against a proof, what would settle it, and that a weak proof counts as weak."""

from __future__ import annotations

import uuid
from datetime import timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.catalog.models import Meter
from shopkb.core.flow.model import Proof
from shopkb.evidence.models import Tally
from shopkb.jobs.actions import closing, repairing
from shopkb.jobs.closed_jobs import case_of
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.jobs.proofs import NamedCause, weighed
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, follow, mend, signed_in, words_of
from tests.conftest import NOW

GROUND = "body/horn/earth#high resistance"


def the_end(run: Run) -> NamedCause:
    states = run_states_of(run.job)
    return weighed(states, reason(run.job, states, at=timezone.now()), closing.ruled_out(run.job))[0]


@pytest.mark.parametrize(
    ("typed", "meter", "weak"),
    [("0.9", "", ""), ("0.9", "pocket", ""), ("0.21", "pocket", "nearer to the limit than the meter is sure of"),
     ("0.21", "", "no meter was named, and not every meter here would be sure of it")],
    ids=["far-without-meter", "far-with-meter", "near-with-meter", "near-without-meter"],
)  # fmt: skip
def test_a_reading_near_its_limit_proves_weakly(
    horn: Procedure, junior: User, typed: str, meter: str, weak: str
) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    follow(run, TO_GROUND[:2], junior)
    chosen = Meter.objects.filter(key=meter).first()
    answer = builders.say(run, "ground", "bad", typed, meter=chosen)
    builders.following.record(run, answer, by=junior, at=NOW + timedelta(minutes=9))
    end = the_end(run)
    assert end.identity == GROUND
    of_the_reading = [why for why in end.weak if "meter" in why]
    assert [weak in why for why in of_the_reading] == ([True] if weak else [])
    if weak:
        assert any(each.words.startswith("Measure again with a better meter") for each in end.settles)
        assert "Weak proof" in words_of(signed_in(junior).get(reverse("jobs:run", args=[run.pk])))


def test_a_meter_that_nobody_knows_the_accuracy_of(horn: Procedure, junior: User) -> None:
    Meter.objects.all().delete()
    run = builders.start(builders.take_in(junior), horn, junior)
    follow(run, TO_GROUND, junior)
    assert "no meter was named" in the_end(run).weak


def test_a_cause_that_all_answers_make_unlikely(horn: Procedure, junior: User) -> None:
    """An answer against its reading is no proof, and what was read before speaks against the cause."""
    run = builders.start(builders.take_in(junior), horn, junior)
    follow(run, TO_GROUND[:2], junior)
    answer = builders.say(run, "ground", "bad", "0.02", override_why="I saw it burnt.")
    builders.following.record(run, answer, by=junior, at=NOW + timedelta(minutes=9))
    assert "the reading said otherwise" in the_end(run).weak


def test_a_weak_proof_is_kept_with_the_repair_and_counts_as_elimination(horn: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    last = follow(run, [*TO_GROUND[:2], ("ground", "bad", "0.21")], junior)[-1]
    client = signed_in(junior)
    address = f"{reverse('jobs:repair', args=[run.job_id])}?result={last.pk}"
    assert "Weak proof" in words_of(client.get(address))
    cause = builders.cause_for("body/horn/earth", "high resistance")
    sent = {"client_id": str(uuid.uuid4()), "cause": cause.pk, "proof": "measured", "correction": "Cleaned."}
    assert client.post(address, sent).status_code == 302
    repair = Repair.objects.get()
    assert "no meter was named" in repair.weak
    assert "likely" not in repair.weak  # what was believed before teaches nothing about the proof
    repairing.verify_repair(repair, Verification.Cured.YES, how="Ten times.", by=junior, at=NOW, client_id=uuid.uuid4())
    job = closing.close_job(Job.objects.get(), Job.Disposition.CURED, by=junior, at=NOW)
    case = case_of(job)
    assert case is not None
    assert case.proof == Proof.ELIMINATION
    assert set(Tally.objects.exclude(cause="").values_list("proof", flat=True)) == {"elimination"}
    assert "but weakly: no meter was named" in words_of(client.get(reverse("jobs:job", args=[job.pk])))


@pytest.mark.parametrize("page", ["?result={last}", "", "?cause=body/horn/earth%23high+resistance"])
@pytest.mark.parametrize(("proof", "weak"), [("measured", True), ("substituted", False)])
def test_what_a_proof_lacks_is_kept_from_every_page_and_for_that_proof_alone(
    horn: Procedure, junior: User, page: str, proof: str, weak: bool
) -> None:
    """Whoever has put a known good part in its place since has proven it another way."""
    run = builders.start(builders.take_in(junior), horn, junior)
    last = follow(run, [*TO_GROUND[:2], ("ground", "bad", "0.21")], junior)[-1]
    cause = builders.cause_for("body/horn/earth", "high resistance")
    sent = {"client_id": str(uuid.uuid4()), "cause": cause.pk, "proof": proof, "correction": "Cleaned."}
    signed_in(junior).post(reverse("jobs:repair", args=[run.job_id]) + page.format(last=last.pk), sent)
    assert bool(Repair.objects.get().weak) == weak


def test_a_reading_is_told_in_the_unit_of_its_step(horn: Procedure, junior: User) -> None:
    """900 typed in millivolts is 0.9 V on every page and paper, not 900 V."""
    run = builders.start(builders.take_in(junior), horn, junior)
    follow(run, TO_GROUND[:2], junior)
    answer = builders.say(run, "ground", "bad", "900", unit="mV")
    last = builders.following.record(run, answer, by=junior, at=NOW + timedelta(minutes=9)).result
    earth = ("body/horn/earth", "high resistance")
    mend(run.job, junior, result=last, cause=earth, cured=Verification.Cured.NO)
    client = signed_in(junior)
    for name, number in (("write-up", run.job_id), ("job", run.job_id), ("run", run.pk), ("hand-over", run.pk)):
        said = words_of(client.get(reverse(f"jobs:{name}", args=[number])))
        assert "900 V" not in said, name
        assert "0.9 V" in said or name == "hand-over", name


@pytest.mark.parametrize(
    ("reading", "typed", "figures"),
    [("1.068687", "15.5 psi", "1.069"), ("1.068687", "1.068687", "1.068687"), ("12.345600", "12,3456", "12.3456"),
     ("0.900000", "900", "0.9"), ("-0.125000", "-.125", "-0.125"), ("0", "0", "0"), ("1068.687361", "15.5", "1069"),
     ("4700", "4k7", "4700")],
)  # fmt: skip
def test_a_converted_reading_is_told_in_four_figures(reading: str, typed: str, figures: str) -> None:
    """15.5 psi are 1.0687 bar (1 psi is 6.894757 kPa, NIST SP 811)."""
    assert Result(reading=Decimal(reading), typed=typed).figures == figures


def test_papers_tell_a_converted_reading_in_four_figures(horn: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    follow(run, TO_GROUND[:2], junior)
    answer = builders.say(run, "ground", "bad", "912.3456", unit="mV")
    last = builders.following.record(run, answer, by=junior, at=NOW + timedelta(minutes=9)).result
    mend(run.job, junior, result=last, cause=("body/horn/earth", "high resistance"))
    client = signed_in(junior)
    for name, number in (("write-up", run.job_id), ("run", run.pk)):
        said = words_of(client.get(reverse(f"jobs:{name}", args=[number])))
        assert "0.9123 V" in said, name
        assert "0.912346" not in said, name


class TestNotCured:
    """What the pages say once a repair did not cure."""

    def failed(self, horn: Procedure, junior: User) -> Run:
        run = builders.start(builders.take_in(junior), horn, junior)
        last = follow(run, TO_GROUND, junior)[-1]
        earth = ("body/horn/earth", "high resistance")
        mend(run.job, junior, result=last, cause=earth, cured=Verification.Cured.NO)
        return run

    def test_one_page_says_what_failed_on_what_it_rested_and_goes_on(self, horn: Procedure, junior: User) -> None:
        run = self.failed(horn, junior)
        page = signed_in(junior).get(reverse("jobs:job", args=[run.job_id]))
        words = words_of(page)
        assert "Not cured: what is known now" in words
        assert "Its proof was measured:" in words
        assert "0.9 V" in words
        assert "Record the repair of: earth" not in words
        assert 'class="button primary" href="/jobs/' in page.content.decode()
        assert words.count("Go on:") == 1
        assert "Measure once more: Voltage drop of the ground" in words
        assert f'href="{reverse("jobs:step", args=[run.pk, "ground"])}"' in page.content.decode()

    def test_the_end_of_the_run_says_the_same(self, horn: Procedure, junior: User) -> None:
        run = self.failed(horn, junior)
        words = words_of(signed_in(junior).get(reverse("jobs:run", args=[run.pk])))
        assert "the complaint stayed: it is hardly the cause any more" in words
        assert "Proven by measurement" not in words
        assert "Next:" in words

    def test_no_way_of_closing_is_chosen_beforehand(self, horn: Procedure, junior: User) -> None:
        run = self.failed(horn, junior)
        page = signed_in(junior).get(reverse("jobs:job", args=[run.job_id])).content.decode()
        closings = page[page.index('action="/jobs/%s/close/"' % run.job_id) :]  # noqa: UP031
        assert "checked" not in closings[: closings.index("</form>")].replace("not-checked", "").replace(
            "Not checked", ""
        )

    def test_every_go_on_leads_to_a_page_that_is_there(self, horn: Procedure, junior: User) -> None:
        """After each of three repairs in vain: a test, then a repair, then another procedure."""
        run = self.failed(horn, junior)
        client = signed_in(junior)
        labels = []
        for cause in (("body/horn/horn", "open circuit"), ("body/horn/relay", "burnt contacts"), ("", "")):
            for address in (reverse("jobs:job", args=[run.job_id]), reverse("jobs:run", args=[run.pk])):
                shown = client.get(address).context["go_on"]
                page, _hash, anchor = shown.link.partition("#")
                told = client.get(page)
                assert told.status_code == 200, shown
                assert not anchor or f'id="{anchor}"' in told.content.decode(), shown
                labels.append(shown.label)
            if cause[0]:
                mend(run.job, junior, cause=cause, cured=Verification.Cured.NO)
        assert len(set(labels)) > 1, labels
