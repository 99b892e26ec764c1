"""Adding pictures to a job, and serving them."""

from __future__ import annotations

import mimetypes

from django.core.files.storage import default_storage
from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.jobs.actions import photos
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms.photo import PhotoForm
from shopkb.jobs.models import Job, Photo, Result
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_on


@require_http_methods(["GET", "POST"])
def add_photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """Add a picture to a job, or to a result of it (``?result=``)."""
    require(request.user, Right.WORK)
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    number = row_number(request.GET.get("result", ""))
    result = Result.objects.filter(pk=number, run__job=job).first() if number else None
    form = PhotoForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        taken = photos.NewPhoto(data["picture"], data["client_id"], words=data["words"], result=result)
        with shown_on(form, NotPossible, "picture"):
            photos.keep_photo(job, taken, by=request.user, at=timezone.now())
            return redirect("jobs:run", result.run_id) if result else redirect("jobs:job", pk)
    context = {"form": form, "job": job, "result": result}
    return render(request, "jobs/photo.html", context, status=422 if form.errors else 200)


@require_safe
def photo(request: SignedInRequest, name: str) -> HttpResponse | FileResponse:
    """A picture, for people who may read jobs."""
    require(request.user, Right.READ)
    photo_row = get_object_or_404(Photo, name=name)
    if not default_storage.exists(photo_row.name):
        raise Http404
    kind = mimetypes.guess_type(photo_row.name)[0] or "application/octet-stream"
    return FileResponse(
        default_storage.open(photo_row.name), content_type=kind, headers={"Cache-Control": "private, max-age=86400"}
    )
