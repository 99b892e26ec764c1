"""One line for each room."""

from django.contrib import admin
from django.urls import include, path

from shopkb.reports import home

admin.site.site_header = "shopkb: catalog and people"
admin.site.site_title = "shopkb"

urlpatterns = [
    path("", home.home, name="home"),
    path("health/", home.health, name="health"),
    path("", include("shopkb.accounts.urls")),
    path("procedures/", include("shopkb.procedures.urls")),
    path("jobs/", include("shopkb.jobs.urls")),
    path("admin/", admin.site.urls),
]
