"""Reading the VIN from a photo of its bar code, while a vehicle is booked in."""

from __future__ import annotations

from django.http import JsonResponse
from django.views.decorators.http import require_POST

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.jobs.vin_codes import NoVin, vin_in_photo
from shopkb.web.images import BadPicture


@require_POST
def read_vin(request: SignedInRequest) -> JsonResponse:
    """``{"vin", "text"}``: the number and what its check digit says; 422 with ``{"refused"}`` where there is none.

    The picture is not kept.
    """
    require(request.user, Right.WORK)
    picture = request.FILES.get("picture")
    if picture is None:
        return JsonResponse({"refused": "Take a picture of the bar code first."}, status=422)
    try:
        check = vin_in_photo(picture)
    except (NoVin, BadPicture) as error:
        return JsonResponse({"refused": str(error)}, status=422)
    return JsonResponse({"vin": check.vin, "text": f"{check.words}."})
