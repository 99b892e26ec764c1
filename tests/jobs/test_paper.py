"""The two papers of a job as PDF: read back, every number printed is that of the record (pypdf is the reader)."""

from __future__ import annotations

import builtins
import io
import uuid
from decimal import Decimal
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from pypdf import PdfReader

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.core.flow.model import Proof
from shopkb.jobs import paper
from shopkb.jobs.actions import closing, noting, repairing
from shopkb.jobs.models import Job, Verification
from shopkb.jobs.views.close import write_up_context
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, follow, signed_in
from tests.conftest import NOW


@pytest.fixture
def job(horn: Procedure, junior: User) -> Job:
    """Two readings before, one after, two lines of parts, a finding declined."""
    job = builders.take_in(junior, registration="SB 77", vin="1M8GDM9AXKP042788", odometer=184307)
    end = follow(builders.start(job, horn, junior), TO_GROUND, junior)[-1]
    found = noting.note_finding(job, "Plug is green", by=junior, at=NOW, client_id=uuid.uuid4())
    noting.settle_finding(found, noting.How.DECLINED, by=junior, at=NOW, client_id=uuid.uuid4())
    details = repairing.RepairDetails(
        cause_for("body/horn/earth", "high resistance"), Proof.MEASURED, "Remade the joint.", uuid.uuid4(), end,
        minutes=37,
        lines=[repairing.PartLine("Eyelet", "WS-6", Decimal(2), Decimal("0.45")),
               repairing.PartLine("Strap", "WS-77", Decimal(1), Decimal("1013.70"))],
    )  # fmt: skip
    repair = repairing.record_repair(job, details, by=junior, at=NOW)
    repairing.verify_repair(
        repair, Verification.Cured.YES, how="Sound the horn ten times.", by=junior, at=NOW, client_id=uuid.uuid4(),
        again=builders.say(end.run, "ground", typed="0.031"),
    )  # fmt: skip
    return closing.close_job(job, Job.Disposition.CURED, by=junior, at=NOW)


def read(pdf: bytes) -> tuple[str, int]:
    """Its text, and the number of its sheets."""
    pages = PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split()), len(pages)


PRINTED = ("SB 77", "1M8GDM9AXKP042788", "0.9 V", "0.031 V", "WS-6", "WS-77", "Remade the joint.", "Plug is green")


def test_the_customer_gets_one_sheet_with_the_numbers_of_the_record(job: Job, junior: User) -> None:
    reply = signed_in(junior).get(reverse("jobs:paper", args=[job.pk, "write-up"]))
    assert (reply.status_code, reply["Content-Type"]) == (200, "application/pdf")
    text, sheets = read(reply.content)
    assert sheets == 1
    for words in (
        *PRINTED, "114,523 miles", "£0.45", "£1,013.70", "£1,014.60", "37 min", "12.4 V",
        "declined by the customer", "Ground carries the load", "Sound the horn ten times.",
    ):  # fmt: skip
        assert words in text, words
    assert "Proven by measurement: Voltage drop of the ground" in text
    assert "probe terminals (NOTICE)" in text and "wording" not in text, "how words are counted is the shop's affair"


def test_the_technical_record_holds_everything(job: Job, junior: User) -> None:
    text, _sheets = read(signed_in(junior).get(reverse("jobs:paper", args=[job.pk, "technical"])).content)
    for words in (*PRINTED, "Voltage at the connector", "£1,013.70 each"):
        assert words in text, words


def test_a_paper_nobody_knows_is_not_found(job: Job, junior: User) -> None:
    assert signed_in(junior).get(reverse("jobs:paper", args=[job.pk, "secret"])).status_code == 404


def test_the_command_writes_it_or_says_what_it_would(
    job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "paper.pdf"
    call_command("write_up", job.pk, to=file, dry_run=True)
    assert not file.exists()
    call_command("write_up", job.pk, to=file)
    assert "0.031 V" in read(file.read_bytes())[0]
    assert capsys.readouterr().out.startswith(f"Would write {file}")
    with pytest.raises(CommandError, match="There is no job 999999"):
        call_command("write_up", 999999)


def test_without_its_library_it_is_said_in_words(job: Job, junior: User, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: object) -> object:
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'")
        return real(name, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", without)
    reply = signed_in(junior).get(reverse("jobs:paper", args=[job.pk, "write-up"]), follow=True)
    assert "The library Pango is missing on the server" in reply.content.decode()


@pytest.mark.parametrize("url", ["http://elsewhere/static/web/base.css", "file:///etc/passwd", "http://paper/jobs/1/"])
def test_a_page_on_paper_fetches_nothing_from_elsewhere(url: str) -> None:
    with pytest.raises(ValueError, match="is not of this page"):
        paper._fetched(url)


def test_what_cured_stands_first_and_what_failed_is_said_plainly(horn: Procedure, junior: User) -> None:
    job = builders.take_in(junior, complaint="The horn is dumb", circumstances="In rain")
    end = builders.follow(builders.start(job, horn, junior), builders.TO_GROUND, junior)[-1]
    builders.mend(job, junior, result=end, cause=("body/horn/earth", "high resistance"), cured=Verification.Cured.NO)
    builders.mend(job, junior, cause=("body/horn/horn", "open circuit"))
    page = builders.words_of(signed_in(junior).get(reverse("jobs:write-up", args=[job.pk])))
    failed = (
        "Not the cause, or not the only one: Horn earth: high resistance. It was put right, and the complaint stayed."
    )
    assert failed in page
    assert page.index("Horn: open circuit") < page.index(failed)
    assert page.index("Carried out:") < page.index("Before that, without success:")
    assert "The horn is dumb When and how: In rain" in page


def test_parts_told_in_words_alone_have_no_price_so_nothing_is_summed(junior: User, horn: Procedure) -> None:
    job = builders.take_in(junior)
    cause = cause_for("body/horn/earth", "high resistance")
    for told in (
        {"parts": "Some wire"},
        {"lines": [repairing.PartLine("Eyelet", "WS-6", Decimal(2), Decimal("0.45"))]},
    ):
        details = repairing.RepairDetails(cause, Proof.MEASURED, "Remade the joint.", uuid.uuid4(), **told)  # type: ignore[arg-type]
        repairing.record_repair(job, details, by=junior, at=NOW)
    assert write_up_context(job.pk)["parts_total"] is None
