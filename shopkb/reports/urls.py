from django.urls import path

from shopkb.reports import improving, views

app_name = "reports"
urlpatterns = [
    path("", views.figures, name="figures"),
    path("month/<str:month>/", views.month, name="month"),
    path("people/<str:who>/", views.person, name="person"),
    path("procedures/<slug:key>/<int:number>/replay/", improving.replay_page, name="replay"),
    path("procedures/<slug:key>/<int:number>/order/", improving.order_page, name="order"),
    path("procedures/<slug:key>/<int:number>/order/take/", improving.take_order, name="take-order"),
    path("<slug:name>/", views.figures, name="page"),
]
