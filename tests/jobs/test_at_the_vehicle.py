"""Around a step: danger screens, undo, hand-over, putting back, pictures. The horn procedure is invented."""

from __future__ import annotations

import io
import uuid
from datetime import timedelta

import pytest
from django.core.files.storage import default_storage
from django.test import Client
from django.utils.html import strip_tags
from PIL import ExifTags, Image

from shopkb.accounts.models import User
from shopkb.catalog.models import Access, Caution
from shopkb.jobs import dangers, vehicle_state
from shopkb.jobs.actions import closing, confirming, following, handing_over, photos
from shopkb.jobs.errors import IdempotencyConflict, NotPossible
from shopkb.jobs.models import DangerPassed, HandOver, Job, Photo, Result, Run
from shopkb.jobs.run_results import walk_of
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from shopkb.web import images
from tests import builders
from tests.builders import TO_HORN, follow, say
from tests.conftest import NOW

LATER = NOW + timedelta(minutes=5)


@pytest.fixture
def job(horn: Procedure, junior: User) -> Job:
    return builders.take_in(junior)


@pytest.fixture
def run(job: Job, horn: Procedure, junior: User) -> Run:
    return builders.start(job, horn, junior)


@pytest.fixture
def danger(horn: Procedure) -> Caution:
    """The caution of the last step, raised to DANGER."""
    Caution.objects.filter(key="isolate-before-power").update(
        signal="DANGER", title="Live feed", ask="The horn plug is in my hand"
    )
    return Caution.objects.get(key="isolate-before-power")


def passing(step: str = "direct", seconds: int = 4) -> confirming.DangerConfirmation:
    return confirming.DangerConfirmation(step, "isolate-before-power", seconds, uuid.uuid4())


def due(run: Run, by: User, at: object = NOW) -> Caution | None:
    flow = flow_of(run.revision)
    step = flow.step_by_key["direct"]
    return dangers.danger_due(run, flow, step, dangers.cautions_in_force(flow, step, ())[0], by=by, at=at)  # type: ignore[arg-type]


# Danger ------------------------------------------------------------------------------------------------------


def test_a_step_with_a_danger_is_not_answered_before_it_is_confirmed(run: Run, junior: User, danger: Caution) -> None:
    follow(run, TO_HORN[:3], junior)
    with pytest.raises(NotPossible) as refused:
        following.record(run, say(run, "direct", "silent"), by=junior, at=LATER)
    assert str(refused.value) == "First confirm the danger of this step: Live feed."
    confirming.pass_danger(run, passing(seconds=1), by=junior, at=LATER)
    following.record(run, say(run, "direct", "silent"), by=junior, at=LATER)
    kept = DangerPassed.objects.get()
    assert (kept.statement, kept.shown_seconds, kept.who) == ("The horn plug is in my hand", 1, junior)


def test_only_the_holder_of_an_open_run_confirms_a_danger(
    run: Run, job: Job, junior: User, second: User, danger: Caution
) -> None:
    with pytest.raises(NotPossible, match="Junior is following this procedure"):
        confirming.pass_danger(run, passing(), by=second, at=NOW)
    follow(run, TO_HORN[:3], junior)
    closing.close_job(job, Job.Disposition.DECLINED, by=junior, at=NOW)
    with pytest.raises(NotPossible, match="is closed"):
        confirming.pass_danger(run, passing(), by=junior, at=NOW)
    assert not DangerPassed.objects.exists()


@pytest.mark.parametrize(
    ("step", "caution"),
    [("press", "isolate-before-power"), ("gone", "isolate-before-power"), ("s" * 200, "isolate-before-power"),
     ("direct", "probe-terminals"), ("direct", "c" * 200), ("direct", "")],
)  # fmt: skip
def test_a_danger_is_confirmed_only_where_the_procedure_has_it(
    run: Run, junior: User, danger: Caution, step: str, caution: str
) -> None:
    with pytest.raises(NotPossible):
        confirming.pass_danger(run, confirming.DangerConfirmation(step, caution, 4, uuid.uuid4()), by=junior, at=NOW)
    assert not DangerPassed.objects.exists()


def test_a_danger_may_always_be_left_out_as_not_safe(run: Run, junior: User, danger: Caution) -> None:
    follow(run, TO_HORN[:3], junior)
    skipped = say(run, "direct", skipped="not-safe", onward="sounds")
    assert following.record(run, skipped, by=junior, at=LATER).result.skipped == "not-safe"


def test_a_danger_is_asked_once_a_run(run: Run, junior: User, danger: Caution) -> None:
    assert due(run, junior) == danger
    sent = passing()
    assert confirming.pass_danger(run, sent, by=junior, at=NOW) == confirming.pass_danger(run, sent, by=junior, at=NOW)
    assert due(run, junior, NOW + timedelta(minutes=29)) is None


def test_a_danger_is_asked_again_after_a_change_of_hands(run: Run, junior: User, second: User, danger: Caution) -> None:
    confirming.pass_danger(run, passing(), by=junior, at=NOW)
    assert due(run, second) == danger


def test_a_danger_is_asked_again_after_a_long_break(run: Run, junior: User, danger: Caution) -> None:
    confirming.pass_danger(run, passing(), by=junior, at=NOW)
    assert due(run, junior, NOW + timedelta(minutes=31)) == danger


def test_steady_work_is_no_break(run: Run, junior: User, danger: Caution) -> None:
    confirming.pass_danger(run, passing(), by=junior, at=NOW)
    for number, answer in enumerate(TO_HORN[:3], start=1):
        following.record(run, say(run, *answer), by=junior, at=NOW + timedelta(minutes=20 * number))
    assert due(run, junior, NOW + timedelta(minutes=80)) is None


def test_a_danger_is_asked_again_after_energising(run: Run, junior: User, danger: Caution) -> None:
    follow(run, TO_HORN[:3], junior)
    confirming.pass_danger(run, passing(), by=junior, at=LATER)
    following.record(run, say(run, "direct", "silent"), by=junior, at=LATER + timedelta(minutes=1))
    assert due(run, junior, LATER + timedelta(minutes=2)) == danger


def test_what_came_after_is_told_by_the_order_and_not_by_the_clock(run: Run, junior: User, danger: Caution) -> None:
    """The server's clock was put back by half a minute between the confirmation and the energising."""
    follow(run, TO_HORN[:3], junior)
    confirming.pass_danger(run, passing(), by=junior, at=LATER)
    following.record(run, say(run, "direct", "silent"), by=junior, at=LATER - timedelta(seconds=30))
    assert due(run, junior, LATER - timedelta(seconds=20)) == danger


def test_what_came_before_stays_before_when_the_clock_jumps_back(run: Run, junior: User, danger: Caution) -> None:
    confirming.pass_danger(run, passing(), by=junior, at=NOW)
    following.record(run, say(run, "direct", "silent", off_path=True), by=junior, at=LATER)
    confirming.pass_danger(run, passing(), by=junior, at=LATER - timedelta(seconds=30))
    assert due(run, junior, LATER) is None


def test_a_clock_that_went_back_may_hide_a_long_break(run: Run, junior: User, danger: Caution) -> None:
    confirming.pass_danger(run, passing(), by=junior, at=NOW)
    assert due(run, junior, NOW - timedelta(minutes=2)) == danger


def test_energising_counts_though_its_answer_was_taken_back(run: Run, junior: User, danger: Caution) -> None:
    follow(run, TO_HORN[:3], junior)
    confirming.pass_danger(run, passing(), by=junior, at=LATER)
    recorded = following.record(run, say(run, "direct", "silent"), by=junior, at=LATER)
    following.retract(recorded.result, by=junior, at=LATER, client_id=uuid.uuid4())
    assert due(run, junior, LATER) == danger


def test_the_danger_is_a_page_of_its_own(run: Run, junior: User, danger: Caution, client: Client) -> None:
    follow(run, TO_HORN[:3], junior, at=NOW)
    client.force_login(junior, backend="django.contrib.auth.backends.ModelBackend")
    page = client.get(f"/jobs/runs/{run.pk}/").content.decode()
    assert "The horn plug is in my hand" in page
    assert "Unplug the horn, then feed it" not in page
    sent = {"client_id": str(uuid.uuid4()), "caution": danger.key, "shown_at": "0"}
    client.post(f"/jobs/runs/{run.pk}/steps/direct/danger/", sent)
    assert "Unplug the horn, then feed it" in client.get(f"/jobs/runs/{run.pk}/steps/direct/").content.decode()


# Undo --------------------------------------------------------------------------------------------------------


def test_the_last_answer_can_be_undone_and_stays_on_record(run: Run, junior: User) -> None:
    _first, last = follow(run, TO_HORN[:2], junior)
    sent = uuid.uuid4()
    one = following.retract(last, by=junior, at=LATER, client_id=sent)
    assert following.retract(last, by=junior, at=LATER, client_id=sent) == one
    assert walk_of(flow_of(run.revision), list(run.results.not_retracted())).current == "supply"
    assert Result.objects.filter(pk=last.pk).exists()


def test_undoing_an_end_goes_on(run: Run, junior: User) -> None:
    results = follow(run, TO_HORN, junior)
    run.refresh_from_db()
    assert run.state == Run.State.ENDED
    following.retract(results[-1], by=junior, at=LATER, client_id=uuid.uuid4())
    run.refresh_from_db()
    assert (run.state, run.ended_at) == (Run.State.UNDER_WAY, None)


def test_an_earlier_answer_is_not_undone(run: Run, junior: User) -> None:
    first, _last = follow(run, TO_HORN[:2], junior)
    with pytest.raises(NotPossible) as refused:
        following.retract(first, by=junior, at=LATER, client_id=uuid.uuid4())
    words = "Only your own last answer can be undone. Go back to the step and answer it again."
    assert str(refused.value) == words


def test_undo_is_offered_for_ten_seconds_and_taken_when_it_arrives_later(
    run: Run, junior: User, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.force_login(junior, backend="django.contrib.auth.backends.ModelBackend")
    for way in (TO_HORN[:2], TO_HORN[2:]):  # on the page of the next step, and on that of the end
        last = follow(run, way, junior, at=NOW)[-1]
        for seconds, offered in ((0, True), (9.9, True), (10, False), (-5, True)):
            now = last.at + timedelta(seconds=seconds)
            monkeypatch.setattr("django.utils.timezone.now", lambda now=now: now)
            page = client.get(f"/jobs/runs/{run.pk}/").content.decode()
            assert (f"/jobs/runs/{run.pk}/undo/{last.pk}/" in page) == offered, (way, seconds)
    client.post(f"/jobs/runs/{run.pk}/undo/{last.pk}/", {"client_id": str(uuid.uuid4())})
    assert hasattr(Result.objects.get(pk=last.pk), "retraction")


# Putting back ------------------------------------------------------------------------------------------------


def test_what_was_unplugged_is_asked_back_by_name(run: Run, job: Job, junior: User) -> None:
    follow(run, TO_HORN, junior)
    assert [off.part for off in vehicle_state.off_on(job)] == ["In the cabin", "Bumper off", "horn connector"]
    assert vehicle_state.confirm_back(run, ["horn connector", "In the cabin"], by=junior, at=LATER) == 2
    assert [off.part for off in vehicle_state.off_on(job)] == ["Bumper off"]


def test_a_state_that_leaves_nothing_off_is_not_asked_for(run: Run, junior: User) -> None:
    Access.objects.filter(key="cabin").update(refit=False)
    follow(run, TO_HORN, junior)
    assert [off.part for off in vehicle_state.off_on(run.job)] == ["Bumper off", "horn connector"]


def test_unplugged_again_is_asked_again(run: Run, job: Job, junior: User) -> None:
    follow(run, TO_HORN, junior)
    vehicle_state.confirm_back(run, ["horn connector"], by=junior, at=LATER)
    following.record(run, say(run, "direct", "sounds"), by=junior, at=LATER + timedelta(minutes=1))
    assert "horn connector" in [off.part for off in vehicle_state.off_on(job)]


def test_a_plug_pulled_on_a_superseded_way_is_still_pulled(run: Run, job: Job, junior: User) -> None:
    results = follow(run, TO_HORN, junior)
    following.retract(results[-1], by=junior, at=LATER, client_id=uuid.uuid4())
    assert "horn connector" in [off.part for off in vehicle_state.off_on(job)]


def test_the_job_is_not_closed_on_the_page_before_all_is_back(run: Run, job: Job, junior: User, client: Client) -> None:
    follow(run, TO_HORN, junior)
    client.force_login(junior, backend="django.contrib.auth.backends.ModelBackend")
    refused = client.post(f"/jobs/{job.pk}/close/", {"disposition": "declined", "back": [f"{run.pk}:Bumper off"]})
    assert refused.status_code == 422
    told = "Not confirmed to be back in place: In the cabin; horn connector."
    assert told in refused.content.decode()
    everything = [f"{run.pk}:{part}" for part in ("In the cabin", "Bumper off", "horn connector")]
    client.post(f"/jobs/{job.pk}/close/", {"disposition": "declined", "back": everything})
    job.refresh_from_db()
    assert job.state == Job.State.CLOSED
    assert vehicle_state.off_on(job) == []


# Hand-over ---------------------------------------------------------------------------------------------------


def offer(run: Run, receiver: User, by: User, **more: object) -> HandOver:
    words = handing_over.HandOverNote(**{"reason": "End of shift", "client_id": uuid.uuid4(), **more})  # type: ignore[arg-type]
    return handing_over.hand_over(run, receiver, words, by=by, at=NOW)


def test_the_run_changes_hands_when_it_is_accepted(run: Run, junior: User, second: User) -> None:
    offered = offer(run, second, junior, off_vehicle="Bumper off")
    run.refresh_from_db()
    assert run.holder == junior
    handing_over.accept(offered, by=second, at=LATER)
    run.refresh_from_db()
    assert run.holder == second
    with pytest.raises(NotPossible):
        following.record(run, say(run, "press", "click"), by=junior, at=LATER)
    following.record(run, say(run, "press", "click"), by=second, at=LATER)


def test_who_takes_over_reads_values_and_readings_with_their_units(
    run: Run, junior: User, second: User, client: Client
) -> None:
    following.record_value(run, "battery", "12.6", by=junior, at=NOW, client_id=uuid.uuid4())
    read = follow(run, TO_HORN, junior)
    reading = next(f"{row.figures} {row.unit}" for row in read if row.reading is not None)
    offered = offer(run, second, junior)
    client.force_login(second, backend="django.contrib.auth.backends.ModelBackend")
    for page in (f"/jobs/hand-overs/{offered.pk}/", f"/jobs/runs/{run.pk}/more/"):
        words = " ".join(strip_tags(client.get(page).content.decode()).split())
        assert "12.6 V" in words, page
        assert reading in words, page


@pytest.mark.parametrize(
    ("who", "reason", "told"),
    [
        ("junior", "x", "Choose somebody else: you are following this procedure already."),
        ("second", " ", "Say why you hand it over; the next person needs to know."),
    ],
)
def test_what_makes_no_hand_over(run: Run, junior: User, second: User, who: str, reason: str, told: str) -> None:
    receiver = {"junior": junior, "second": second}[who]
    with pytest.raises(NotPossible) as refused:
        offer(run, receiver, junior, reason=reason)
    assert str(refused.value) == told


def test_only_the_holder_hands_over_and_only_once(run: Run, junior: User, second: User, senior: User) -> None:
    with pytest.raises(NotPossible) as refused:
        offer(run, senior, second)
    assert str(refused.value) == "Junior is following this procedure; only they can hand it over."
    offer(run, second, junior)
    with pytest.raises(NotPossible) as refused:
        offer(run, senior, junior)
    assert str(refused.value) == "It waits for Second to accept already."


def test_somebody_else_cannot_accept(run: Run, junior: User, second: User, senior: User) -> None:
    offered = offer(run, second, junior)
    with pytest.raises(NotPossible) as refused:
        handing_over.accept(offered, by=senior, at=LATER)
    assert str(refused.value) == "This was handed to Second. Take the run over from its own page instead."


def test_the_same_hand_over_twice_is_one(run: Run, junior: User, second: User, senior: User) -> None:
    sent = uuid.uuid4()
    assert offer(run, second, junior, client_id=sent) == offer(run, second, junior, client_id=sent)
    with pytest.raises(IdempotencyConflict):
        offer(run, senior, junior, client_id=sent)


def test_taking_over_is_kept_in_the_log(run: Run, junior: User, second: User) -> None:
    handing_over.take_over(run, by=second, at=NOW, client_id=uuid.uuid4())
    kept = HandOver.objects.get()
    assert (kept.giver, kept.receiver, kept.accepted_at) == (junior, second, NOW)


# Pictures ----------------------------------------------------------------------------------------------------


def picture(size: tuple[int, int] = (60, 40), form: str = "JPEG", *, sideways: bool = False) -> io.BytesIO:
    """An invented picture, with the place it was taken written into it."""
    image = Image.new("RGB", size, (200, 60, 20))
    exif = image.getexif()
    exif[ExifTags.Base.Make] = "Invented"
    if sideways:
        exif[ExifTags.Base.Orientation] = 6
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (52.0, 30.0, 0.0)
    out = io.BytesIO()
    image.save(out, form, exif=exif)
    out.seek(0)
    return out


@pytest.fixture
def album(tmp_path: object, settings: object) -> None:
    settings.MEDIA_ROOT = tmp_path  # type: ignore[attr-defined]


def test_a_picture_is_turned_upright_and_holds_nothing_but_pixels(job: Job, junior: User, album: None) -> None:
    kept = photos.keep_photo(job, photos.NewPhoto(picture(sideways=True), uuid.uuid4()), by=junior, at=NOW)
    assert (kept.width, kept.height) == (40, 60)
    with default_storage.open(kept.name) as file, Image.open(file) as stored:
        assert dict(stored.getexif()) == {}
        assert stored.format == "JPEG"


def test_a_large_picture_is_made_smaller(job: Job, junior: User, album: None) -> None:
    kept = photos.keep_photo(job, photos.NewPhoto(picture((4000, 3000)), uuid.uuid4()), by=junior, at=NOW)
    assert (kept.width, kept.height) == (1600, 1200)


def test_the_same_picture_twice_is_one(job: Job, junior: User, album: None) -> None:
    sent = uuid.uuid4()
    one = photos.keep_photo(job, photos.NewPhoto(picture(), sent), by=junior, at=NOW)
    assert photos.keep_photo(job, photos.NewPhoto(picture(), sent), by=junior, at=NOW) == one
    assert Photo.objects.count() == 1


@pytest.mark.parametrize(
    ("body", "told"),
    [
        (
            b"<svg xmlns='http://www.w3.org/2000/svg'/>",
            "This is not a picture that can be kept. Use a JPEG, PNG or WebP file.",
        ),
        (b"", "This is not a picture that can be kept. Use a JPEG, PNG or WebP file."),
        (picture().getvalue()[:200], "The picture is damaged. Take it again."),
        (b"x" * (images.LARGEST_FILE + 1), "The picture is larger than 12 MB. Take it with a lower resolution."),
    ],
)
def test_what_is_no_picture_is_refused(job: Job, junior: User, album: None, body: bytes, told: str) -> None:
    with pytest.raises(photos.BadPhoto) as refused:
        photos.keep_photo(job, photos.NewPhoto(io.BytesIO(body), uuid.uuid4()), by=junior, at=NOW)
    assert str(refused.value) == told
    assert not Photo.objects.exists()


def test_a_picture_bomb_is_refused(job: Job, junior: User, album: None) -> None:
    body = io.BytesIO()
    Image.new("1", (10_000, 10_000)).save(body, "PNG")
    body.seek(0)
    with pytest.raises(photos.BadPhoto):
        photos.keep_photo(job, photos.NewPhoto(body, uuid.uuid4()), by=junior, at=NOW)


def test_a_picture_is_sent_and_shown(job: Job, junior: User, album: None, client: Client) -> None:
    client.force_login(junior, backend="django.contrib.auth.backends.ModelBackend")
    sent = picture()
    sent.name = "../../etc/burnt.jpg"
    client.post(f"/jobs/{job.pk}/photos/new/", {"client_id": uuid.uuid4(), "picture": sent, "words": "Burnt terminal"})
    kept = Photo.objects.get()
    assert "Burnt terminal" in client.get(f"/jobs/{job.pk}/write-up/").content.decode()
    shown = client.get(f"/jobs/photos/{kept.name}")
    assert shown["Content-Type"] == "image/jpeg"
    assert shown["X-Content-Type-Options"] == "nosniff"
    assert b"".join(shown.streaming_content)[:2] == b"\xff\xd8"  # what every JPEG begins with
    client.logout()
    assert client.get(f"/jobs/photos/{kept.name}").status_code == 302


def test_the_card_after_a_break_says_where_one_was(run: Run, junior: User, client: Client) -> None:
    follow(run, TO_HORN[:2], junior, at=NOW)
    client.force_login(junior, backend="django.contrib.auth.backends.ModelBackend")
    page = client.get(f"/jobs/runs/{run.pk}/").content.decode()
    assert "You were here" in page
    told = page.index("Voltage at the connector: <b>Full supply</b>, 12.4")
    assert page.index('class="answers"') < told, "what is to be done stands before what was done"
    assert "still unplugged, off or open: In the cabin; Bumper off" in page


def test_an_undone_second_answer_leaves_the_run_at_the_end_that_the_first_reached(run: Run, junior: User) -> None:
    (again,) = follow(run, [("press", "sounds", "")] * 2, junior)[1:]
    following.retract(again, by=junior, at=LATER, client_id=uuid.uuid4())
    run.refresh_from_db()
    assert (run.state, run.ended_at) == (Run.State.ENDED, LATER)
