from django.urls import path

from shopkb.reports import improving, leaving_views, readings_lately, views

app_name = "reports"
urlpatterns = [
    path("", views.figures, name="figures"),
    path("month/<str:month>/", views.month, name="month"),
    path("people/<str:who>/", views.person, name="person"),
    path("procedures/<slug:key>/<int:number>/replay/", improving.replay_page, name="replay"),
    path("procedures/<slug:key>/<int:number>/readings/", readings_lately.readings_page, name="readings"),
    path("procedures/<slug:key>/<int:number>/order/", improving.order_page, name="order"),
    path("procedures/<slug:key>/<int:number>/order/take/", improving.take_order, name="take-order"),
    path("procedures/<slug:key>/<int:number>/without/<slug:step>/", leaving_views.page, name="without"),
    path("procedures/<slug:key>/<int:number>/without/<slug:step>/take/", leaving_views.take, name="take-without"),
    path("<slug:name>/", views.figures, name="page"),
]
