from django.urls import path

from shopkb.bench import views

app_name = "bench"
urlpatterns = [
    path("", views.bench, name="bench"),
    path("<slug:name>/", views.bench, name="computation"),
]
