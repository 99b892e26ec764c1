from django.urls import path

from shopkb.catalog import views

app_name = "catalog"
urlpatterns = [
    path("", views.index, name="index"),
    path("<slug:kind>/", views.entries, name="entries"),
    path("<slug:kind>/new/", views.entry, name="new"),
    path("<slug:kind>/<int:pk>/", views.entry, name="entry"),
    path("<slug:kind>/<int:pk>/remove/", views.remove, name="remove"),
]
