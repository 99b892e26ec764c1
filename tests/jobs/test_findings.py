"""Findings beside the way: stated by an answer or noted by hand, seen on every page, asked for before closing, and what
two faults of one job teach."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from shopkb.accounts.models import User
from shopkb.core.diagnosis.counting.tallies import contributions
from shopkb.evidence import learning
from shopkb.jobs.actions import closing, noting
from shopkb.jobs.actions.noting import How
from shopkb.jobs.closed_jobs import case_of, closed_cases
from shopkb.jobs.errors import IdempotencyConflict, NotPossible
from shopkb.jobs.models import Finding, Job, Run, Settlement, Verification
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from shopkb.upkeep.chains import broken_chains
from tests import builders
from tests.builders import TO_GROUND, follow, mend, signed_in, words_of
from tests.conftest import NOW

FEED = "The feed loses voltage"
TEXT = builders.HORN_TEXT.replace(
    "go: relay-contacts, proof: measured}", f"go: ground, finding: {FEED}}}"
)  # the supply is low, and the way goes on to the ground
WEAK = ("supply", "weak", "7.0")
TO_BOTH = (TO_GROUND[0], WEAK, TO_GROUND[2])
RELAY = ("body/horn/relay", "burnt contacts")
GROUND = ("body/horn/earth", "high resistance")


@pytest.fixture
def beside(horn: Procedure, senior: User, second: User) -> Procedure:
    """Horn stays silent, with an outcome that states a finding and goes on."""
    draft = builders.publishing.start_draft(builders.flow_from(TEXT), by=senior, at=NOW)
    builders.publishing.publish(draft, by=second, at=NOW)
    return horn


@pytest.fixture
def met(beside: Procedure, junior: User) -> Run:
    """A run that has come to the ground past a feed that loses voltage."""
    run = builders.start(builders.take_in(junior), beside, junior)
    follow(run, TO_BOTH, junior)
    return run


def settle(finding: Finding, how: How, by: User, **by_what: object) -> Settlement:
    return noting.settle_finding(finding, how, by=by, at=NOW, client_id=uuid.uuid4(), **by_what)  # type: ignore[arg-type]


def read(job: Job) -> Job:
    return Job.objects.get(pk=job.pk)


# Kept


def test_an_outcome_states_a_finding_and_goes_on(met: Run) -> None:
    finding = Finding.objects.get()
    assert (finding.words, finding.result.step, finding.settled) == (FEED, "supply", None)  # type: ignore[union-attr]
    assert list(broken_chains()) == []


def test_an_answer_given_otherwise_takes_its_finding_along(met: Run, junior: User) -> None:
    follow(met, [TO_GROUND[1]], junior, at=NOW + timedelta(hours=1))
    assert read(met.job).standing_findings == []
    follow(met, [WEAK], junior, at=NOW + timedelta(hours=2))
    assert [finding.words for finding in read(met.job).open_findings] == [FEED]


def test_what_was_put_right_was_there_whatever_its_step_says_afterwards(met: Run, junior: User) -> None:
    """The step is done again after the repair of the other fault, and finds nothing: fault, repair and minutes stay on
    the pages and on the customer's paper."""
    mended = mend(met.job, junior, cause=RELAY)
    settle(Finding.objects.get(), How.REPAIRED, junior, repair=mended)
    follow(met, [TO_GROUND[1]], junior, at=NOW + timedelta(hours=1))
    assert [finding.words for finding in read(met.job).standing_findings] == [FEED]
    assert read(met.job).open_findings == []
    for name in ("job", "write-up", "technical"):
        assert FEED in words_of(signed_in(junior).get(reverse(f"jobs:{name}", args=[met.job_id]))), name


@pytest.mark.parametrize("how", [How.DECLINED, How.EXPLAINED])
def test_an_answer_that_was_a_slip_takes_what_was_said_of_its_finding_along(met: Run, junior: User, how: How) -> None:
    """Nothing was done about it, so the customer is told of no fault that was not there."""
    settle(Finding.objects.get(), how, junior, words="Tapped the wrong one.")
    follow(met, [TO_GROUND[1]], junior, at=NOW + timedelta(hours=1))
    assert read(met.job).standing_findings == []


def test_what_showed_another_fault_is_not_advised_again_once_it_is_put_right(met: Run, junior: User) -> None:
    """Of the complaint it says nothing more. The way has come to its end, so that every step could be advised."""
    mend(met.job, junior, result=met.results.latest("pk"), cause=GROUND, cured=Verification.Cured.NO)
    mended = mend(met.job, junior, cause=RELAY)
    settle(Finding.objects.get(), How.REPAIRED, junior, repair=mended)
    job = read(met.job)
    reasoning = reason(job, run_states_of(job), at=timezone.now())
    assert reasoning is not None
    assert ("horn-silent", "supply") not in reasoning.record.allowed
    assert ("horn-silent", "direct") in reasoning.record.allowed


def test_a_job_without_findings_costs_one_small_question(
    beside: Procedure, junior: User, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    """Which answers count takes longer to ask than all the rest of a page, and each page of a job would wait for it."""
    run = builders.start(builders.take_in(junior), beside, junior)
    follow(run, [TO_GROUND[0]], junior)
    job = read(run.job)
    with django_assert_num_queries(1) as asked:
        assert job.standing_findings == []
    assert "jobs_result" not in asked.captured_queries[0]["sql"]


def test_an_answer_sent_twice_states_one_finding(beside: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), beside, junior)
    follow(run, TO_BOTH[:1], junior)
    answer = builders.say(run, *WEAK)
    for _ in range(2):
        builders.following.record(run, answer, by=junior, at=NOW)
    assert Finding.objects.count() == 1


def test_a_finding_noted_by_hand_is_on_every_page_of_the_job(met: Run, junior: User) -> None:
    client = signed_in(junior)
    note = reverse("jobs:note-finding", args=[met.job_id])
    assert client.post(note, {"client_id": str(uuid.uuid4()), "words": " "}).status_code == 422
    client.post(note, {"client_id": str(uuid.uuid4()), "words": "Plug of the horn is green"})
    repair = mend(met.job, junior, cured=None)
    for name, args in (
        ("job", [met.job_id]), ("run", [met.pk]), ("more", [met.pk]), ("repair", [met.job_id]),
        ("write-up", [met.job_id]), ("technical", [met.job_id]),
    ):  # fmt: skip
        page = words_of(client.get(reverse(f"jobs:{name}", args=args)))
        assert FEED in page, name
        assert "Plug of the horn is green" in page, name
    for name, args in (("hand-over", [met.pk]), ("stop", [met.pk]), ("step", [met.pk, "press"])):
        assert "2 other faults open" in words_of(client.get(reverse(f"jobs:{name}", args=args))), name
    assert client.get(reverse("jobs:verify", args=[repair.pk])).status_code == 200


@pytest.mark.parametrize(
    ("how", "told"),
    [
        (Settlement.How.ADVISED, "Still on this vehicle? Tyre worn to the cord: advised for the next visit: Soon"),
        (Settlement.How.DECLINED, "Still on this vehicle? Tyre worn to the cord: declined by the customer: Soon"),
        (Settlement.How.EXPLAINED, ""),
    ],
)
def test_what_was_left_on_a_vehicle_is_told_when_it_is_booked_in_again(
    job: Job, junior: User, how: Settlement.How, told: str
) -> None:
    client, known = signed_in(junior), reverse("jobs:known")
    asked = {"registration": job.vehicle.registration}
    finding = noting.note_finding(job, "Tyre worn to the cord", by=junior, at=NOW, client_id=uuid.uuid4())
    noting.settle_finding(finding, how, by=junior, at=NOW, client_id=uuid.uuid4(), words="Soon")
    assert "Still on this vehicle?" not in words_of(client.get(known, asked)), "the job is open: its page says it"
    closing.close_job(job, Job.Disposition.UNSOLVED, by=junior, at=NOW)
    page = words_of(client.get(known, asked))
    assert told in page
    assert ("Still on this vehicle?" in page) is bool(told)


def test_noting_twice_is_once_and_nothing_else_under_the_same_id(job: Job, junior: User) -> None:
    sent = uuid.uuid4()
    one, two = (noting.note_finding(job, "Cracked tank", by=junior, at=NOW, client_id=sent) for _ in range(2))
    assert one == two
    with pytest.raises(IdempotencyConflict):
        noting.note_finding(job, "Cracked hose", by=junior, at=NOW, client_id=sent)


# Asked for


@pytest.mark.parametrize("how", list(How))
def test_closing_asks_for_each_finding(met: Run, junior: User, how: How) -> None:
    mended = mend(met.job, junior, result=met.results.latest("pk"), cause=GROUND)
    other = builders.start(met.job, Procedure.objects.get(key="horn-control"), junior)
    finding = Finding.objects.get()
    client, close = signed_in(junior), reverse("jobs:close", args=[met.job_id])
    back = [f"{run.pk}:{part}" for run, part in ((met, "Bumper off"), (met, "In the cabin"))]
    sent: dict[str, object] = {"disposition": "cured", "back": back}
    refused = client.post(close, sent)
    assert refused.status_code == 422
    assert f"What became of: {FEED}" in words_of(refused)
    key = {How.FOLLOWED: f"followed:{other.pk}", How.REPAIRED: f"repaired:{mended.pk}"}.get(how, how.value)
    sent |= {f"finding_{finding.pk}": key}
    if how == How.EXPLAINED:
        assert client.post(close, sent).status_code == 422
    closed = client.post(close, sent | {f"why_{finding.pk}": "Battery was low."})
    assert closed.status_code == 302, words_of(closed)
    row = Settlement.objects.get()
    assert (row.how, row.run_id == other.pk, row.repair_id == mended.pk) == (
        how, how == How.FOLLOWED, how == How.REPAIRED,
    )  # fmt: skip
    for page in ("write-up", "technical", "job"):
        assert row.get_how_display() in words_of(client.get(reverse(f"jobs:{page}", args=[met.job_id])))
    assert list(broken_chains()) == []


def test_no_door_closes_over_an_open_finding(met: Run, junior: User) -> None:
    with pytest.raises(NotPossible, match=FEED):
        closing.close_job(met.job, Job.Disposition.UNSOLVED, by=junior, at=NOW)


@pytest.mark.parametrize(
    ("how", "why"),
    [(How.FOLLOWED, "which procedure"), (How.REPAIRED, "which repair"), (How.EXPLAINED, "what explains it")],
)
def test_a_settlement_says_by_what(met: Run, junior: User, how: How, why: str) -> None:
    with pytest.raises(NotPossible, match=why):
        settle(Finding.objects.get(), how, junior)


def test_a_settlement_is_of_its_own_job(met: Run, horn: Procedure, junior: User) -> None:
    other = builders.take_in(junior)
    with pytest.raises(NotPossible, match="another job"):
        settle(Finding.objects.get(), How.REPAIRED, junior, repair=mend(other, junior, cured=None))


def test_its_own_page_leads_to_its_repair_or_to_a_procedure(met: Run, junior: User) -> None:
    client, finding = signed_in(junior), Finding.objects.get()
    page = client.get(reverse("jobs:finding", args=[finding.pk]))
    link = f"{reverse('jobs:repair', args=[met.job_id])}?finding={finding.pk}"
    assert link in page.content.decode()
    cause = builders.cause_for(*RELAY)
    sent = {"client_id": str(uuid.uuid4()), "cause": cause.pk, "proof": "measured", "correction": "New relay."}
    for _ in range(2):
        client.post(link, sent)
    row = Settlement.objects.get()
    assert (row.how, row.repair) == (How.REPAIRED, met.job.repairs.get())
    verify = words_of(client.get(reverse("jobs:verify", args=[met.job.repairs.get().pk])))
    assert "Is this fault gone?" in verify
    assert FEED in verify
    start = reverse("jobs:start", args=[met.job_id, "horn-control"])
    client.post(start, {"client_id": str(uuid.uuid4()), "finding": str(finding.pk)})
    assert Settlement.objects.latest("pk").how == How.FOLLOWED


def test_the_repair_of_another_fault_that_alone_cured_is_the_cause_on_paper(met: Run, junior: User) -> None:
    """What the way came to was put right in vain; the fault met beside it was what the customer complained of."""
    mend(met.job, junior, result=met.results.latest("pk"), cause=GROUND, cured=Verification.Cured.NO)
    cured = mend(met.job, junior, cause=RELAY)
    settle(Finding.objects.get(), How.REPAIRED, junior, repair=cured)
    told = words_of(signed_in(junior).get(reverse("jobs:write-up", args=[met.job_id])))
    assert "Not found yet" not in told and "Without success so far" not in told
    assert f"Cause {cured.cause}" in told


# What it teaches


def two_faults(met: Run, junior: User) -> Job:
    """The ground, which the way came to, and the feed, found beside it, both put right."""
    mend(met.job, junior, result=met.results.latest("pk"), cause=GROUND)
    feed = mend(met.job, junior, cause=RELAY)
    settle(Finding.objects.get(), How.REPAIRED, junior, repair=feed)
    return closing.close_job(read(met.job), Job.Disposition.CURED, by=junior, at=NOW)


def test_each_of_two_faults_is_taught_by_what_proved_it(met: Run, junior: User) -> None:
    job = two_faults(met, junior)
    case = case_of(job)
    assert case is not None
    causes = {(key.step, key.outcome): key.cause for key in contributions(case)}
    ground, relay = ("#".join(cause) for cause in (GROUND, RELAY))
    assert causes == {
        ("press", "click"): ground,
        ("supply", "weak"): relay,
        ("ground", "bad"): ground,
        ("", ""): ground,
    }
    assert not any(sums.together for sums in contributions(case).values())
    assert learning.kept() == learning.total_of(closed_cases())


@pytest.mark.parametrize("how", [How.DECLINED, How.EXPLAINED])
def test_what_another_fault_explains_speaks_for_no_cause(met: Run, junior: User, how: How) -> None:
    mend(met.job, junior, result=met.results.latest("pk"), cause=GROUND)
    settle(Finding.objects.get(), how, junior, words="Told so.")
    case = case_of(closing.close_job(read(met.job), Job.Disposition.CURED, by=junior, at=NOW))
    assert case is not None
    causes = {(key.step, key.outcome): key.cause for key in contributions(case)}
    assert causes["supply", "weak"] == ""
    assert causes["ground", "bad"] == "#".join(GROUND)


def test_the_belief_leaves_out_what_is_explained(met: Run, junior: User) -> None:
    def relay() -> float:
        job = read(met.job)
        reasoning = reason(job, run_states_of(job), at=timezone.now())
        assert reasoning is not None
        return {row.cause: row.probability for row in reasoning.possible}["#".join(RELAY)]

    before = relay()
    settle(Finding.objects.get(), How.DECLINED, junior)
    assert relay() != before


def test_the_repair_of_a_finding_is_about_the_finding(met: Run, junior: User) -> None:
    """Causes that its words fit, not those of the procedure; and its check asks about it, not about the complaint."""
    found = noting.note_finding(met.job, "Relay socket is burnt", by=junior, at=NOW, client_id=uuid.uuid4())
    client = signed_in(junior)
    page = client.get(f"{reverse('jobs:repair', args=[met.job_id])}?finding={found.pk}")
    near = [radio.choice_label for radio in page.context["form"].causes_near]
    assert "Horn relay: burnt contacts" in near
    assert "Horn: open circuit" not in near
    assert "Record the repair of: Relay socket is burnt" in words_of(page)
    mended = mend(met.job, junior, cause=RELAY, cured=None)
    settle(found, How.REPAIRED, junior, repair=mended)
    check = words_of(client.get(reverse("jobs:verify", args=[mended.pk])))
    assert "Looked at again: is this fault gone?" in check
    assert "is it gone" not in check


def test_a_finding_is_advised_for_the_next_visit(met: Run, junior: User) -> None:
    client, finding = signed_in(junior), Finding.objects.get()
    page = reverse("jobs:finding", args=[finding.pk])
    assert "advised for the next visit" in words_of(client.get(page))
    sent = {"client_id": str(uuid.uuid4()), "how": "advised", "words": "Within 1,000 miles."}
    assert client.post(page, sent).status_code == 302
    assert str(Settlement.objects.get()) == "advised for the next visit: Within 1,000 miles."


def test_one_word_for_it_everywhere(met: Run, junior: User) -> None:
    client = signed_in(junior)
    told = words_of(client.get(reverse("jobs:technical", args=[met.job_id])))
    assert "other faults found" in told.lower()
    for name, args in (("technical", [met.job_id]), ("job", [met.job_id]), ("more", [met.pk])):
        page = words_of(client.get(reverse(f"jobs:{name}", args=args))).lower()
        assert "beside the way" not in page, name
        assert "finding" not in page, name


def test_whoever_notes_a_fault_at_a_step_is_back_at_it_with_one_way_on(beside: Procedure, junior: User) -> None:
    met = builders.start(builders.take_in(junior), beside, junior)
    follow(met, TO_BOTH[:1], junior)
    client, address = signed_in(junior), reverse("jobs:note-finding", args=[met.job_id])
    more = client.get(reverse("jobs:more", args=[met.pk])).content.decode()
    assert f'href="{address}?run={met.pk}"' in more
    noted = client.post(f"{address}?run={met.pk}", {"words": "Wiper torn.", "client_id": uuid.uuid4()}, follow=True)
    assert noted.redirect_chain == [(reverse("jobs:run", args=[met.pk]), 302)]
    assert "Kept with the job: Wiper torn." in words_of(noted)
    at_the_job = client.post(address, {"words": "Tyre worn.", "client_id": uuid.uuid4()}, follow=True)
    assert at_the_job.redirect_chain == [(reverse("jobs:job", args=[met.job_id]), 302)]
    assert words_of(at_the_job).count("Go on") == 1


def test_closing_is_folded_until_there_is_something_to_close(beside: Procedure, junior: User) -> None:
    """A job that was booked in a moment ago offers procedures, not its end."""
    job, client = builders.take_in(junior), signed_in(junior)
    folded = '<details class="closing">'
    assert folded in client.get(reverse("jobs:job", args=[job.pk])).content.decode()
    mend(job, junior, cured=Verification.Cured.NOT_CHECKED)
    assert folded not in client.get(reverse("jobs:job", args=[job.pk])).content.decode()


def failed_beside_an_open_fault(met: Run, junior: User) -> str:
    """What the job's page says when the ground was put right in vain and the feed is still open."""
    mend(met.job, junior, result=met.results.latest("pk"), cause=GROUND, cured=Verification.Cured.NO)
    return words_of(signed_in(junior).get(reverse("jobs:job", args=[met.job_id])))


def test_a_repair_in_vain_leads_to_the_fault_that_is_open(met: Run, junior: User) -> None:
    """No further test is advised before the fault that is known is dealt with."""
    page = failed_beside_an_open_fault(met, junior)
    assert f"Next: Another fault is open on this vehicle: {FEED}. It may be what keeps the complaint." in page
    assert page.count("Deal with the other fault") == 1
    assert "Go on:" not in page
    assert f"Not counted here: the other fault found, “{FEED}”, which is open." in page
    run = words_of(signed_in(junior).get(reverse("jobs:run", args=[met.pk])))
    assert "Deal with the other fault" in run


def test_once_it_is_dealt_with_testing_goes_on(met: Run, junior: User) -> None:
    failed_beside_an_open_fault(met, junior)
    settle(Finding.objects.get(), How.DECLINED, junior)
    page = words_of(signed_in(junior).get(reverse("jobs:job", args=[met.job_id])))
    assert "Deal with the other fault" not in page
    assert page.count("Go on:") == 1


def test_a_procedure_that_was_followed_is_not_offered_again(met: Run, junior: User) -> None:
    page = signed_in(junior).get(reverse("jobs:job", args=[met.job_id])).content.decode()
    assert reverse("jobs:start", args=[met.job_id, "horn-silent"]) not in page
