from django.urls import path

from shopkb.accounts.slots import Slots, few_at_once
from shopkb.reports import vehicle, views
from shopkb.reports.improving import decision_views, draft_views, recent_readings, step_removal_views

figure_slots = Slots(
    "You, or enough other people, have figures on the way. Try again when they are there.",
    at_once=2,
    waiting=2,
    seconds=10,
    each=3,
)
"""A page of figures takes a moment when it is remembered, and seconds when it is not."""
few = few_at_once(figure_slots)

app_name = "reports"
urlpatterns = [
    path("", few(views.figures), name="figures"),
    path("decide/<path:subject>/", few(decision_views.decide_page), name="decide"),
    path("month/<str:month>/", few(views.month), name="month"),
    path("office/", few(views.office), name="office"),
    path("people/<str:who>/", few(views.person), name="person"),
    path("procedures/<slug:key>/<int:number>/replay/", few(draft_views.replay_page), name="replay"),
    path("procedures/<slug:key>/<int:number>/readings/", few(recent_readings.readings_page), name="readings"),
    path("procedures/<slug:key>/<int:number>/order/", few(draft_views.order_page), name="order"),
    path("procedures/<slug:key>/<int:number>/order/take/", few(draft_views.take_order), name="take-order"),
    path("procedures/<slug:key>/<int:number>/without/<slug:step>/", few(step_removal_views.page), name="without"),
    path(
        "procedures/<slug:key>/<int:number>/without/<slug:step>/take/",
        few(step_removal_views.take),
        name="take-without",
    ),
    path("vehicles/<int:pk>/", vehicle.vehicle_page, name="vehicle"),
    path("<slug:name>/", few(views.figures), name="page"),
]
