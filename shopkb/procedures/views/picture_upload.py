"""Pictures of instructions: put into a step from the desk, and shown to whoever may read procedures."""

from __future__ import annotations

from django.contrib import messages
from django.core.files.storage import default_storage
from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.core.flow import editing
from shopkb.core.flow.editing import EditRefused
from shopkb.core.flow.instructions import with_more_work
from shopkb.procedures import publishing
from shopkb.procedures.desk.desk_context import desk_address
from shopkb.procedures.instruction_pictures import as_markdown, keep_picture
from shopkb.procedures.models import Picture, Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import flow_of
from shopkb.web.htmx import wants_part


@require_POST
def add_picture(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """Keep a picture and show it at the end of what is to be done at a step."""
    require(request.user, Right.WRITE)
    rows = Revision.objects.select_related("procedure", "author")
    revision = get_object_or_404(rows, procedure__key=key, number=number)
    flow, step = flow_of(revision), request.POST.get("step", "")
    file = request.FILES.get("picture")
    try:
        if not revision.may_change or step not in flow.step_by_key:
            raise ActionRefused("This step can no longer be changed. Open the draft again.")
        if file is None:
            raise ActionRefused("Choose a picture first: JPEG, PNG or WebP.")
        if wants_part(request):  # pasted or dragged: the desk puts it where the cursor stands, and saves as always
            kept = as_markdown(keep_picture(file, by=request.user, at=timezone.now()), request.POST.get("words", ""))
            return HttpResponse(kept, content_type="text/plain; charset=utf-8")
        shown = as_markdown(keep_picture(file, by=request.user, at=timezone.now()), request.POST.get("words", ""))
        text = with_more_work(flow.step_by_key[step].instruction, shown)
        changed = editing.change_step(flow, step, {"instruction": text})
        publishing.save_draft(revision, changed, by=request.user, based_on=revision.checksum)
    except (ActionRefused, EditRefused) as error:
        if wants_part(request):
            return HttpResponse(str(error), status=422, content_type="text/plain; charset=utf-8")
        messages.error(request, str(error))
    return redirect(desk_address(revision, step if step in flow.step_by_key else ""))


@require_safe
def picture(request: SignedInRequest, name: str) -> FileResponse:
    """One picture. Its name says its content, so a browser may keep it."""
    require(request.user, Right.READ)
    picture = get_object_or_404(Picture, name=name)
    if not default_storage.exists(picture.name):
        raise Http404
    headers = {"Cache-Control": "private, max-age=86400"}
    return FileResponse(default_storage.open(picture.name), content_type="image/jpeg", headers=headers)
