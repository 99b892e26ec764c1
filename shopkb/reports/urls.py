from django.urls import path

from shopkb.reports import vehicle, views
from shopkb.reports.improving import draft_views, recent_readings, step_removal_views

app_name = "reports"
urlpatterns = [
    path("", views.figures, name="figures"),
    path("month/<str:month>/", views.month, name="month"),
    path("people/<str:who>/", views.person, name="person"),
    path("procedures/<slug:key>/<int:number>/replay/", draft_views.replay_page, name="replay"),
    path("procedures/<slug:key>/<int:number>/readings/", recent_readings.readings_page, name="readings"),
    path("procedures/<slug:key>/<int:number>/order/", draft_views.order_page, name="order"),
    path("procedures/<slug:key>/<int:number>/order/take/", draft_views.take_order, name="take-order"),
    path("procedures/<slug:key>/<int:number>/without/<slug:step>/", step_removal_views.page, name="without"),
    path("procedures/<slug:key>/<int:number>/without/<slug:step>/take/", step_removal_views.take, name="take-without"),
    path("vehicles/<int:pk>/", vehicle.vehicle_page, name="vehicle"),
    path("<slug:name>/", views.figures, name="page"),
]
