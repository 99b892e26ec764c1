"""One line for each room."""

from django.conf import settings
from django.contrib import admin
from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles.storage import staticfiles_storage
from django.urls import include, path
from django.views.generic import RedirectView

from shopkb.hosting import views as hosting
from shopkb.jobs.views import outbox
from shopkb.reports import home
from shopkb.web import version

admin.site.site_header = "Catalogue and people"
admin.site.site_title = "Workshop knowledge base"

favicon = login_not_required(RedirectView.as_view(url=staticfiles_storage.url("web/favicon.svg")))

handler400 = "shopkb.web.bad_request.bad_request"
handler500 = "shopkb.upkeep.unavailable.error_page"
urlpatterns = [
    path("favicon.ico", favicon),
    path("", home.home, name="home"),
    path("offline-worker.js", outbox.worker, name="worker"),
    path("health/", hosting.health, name="health"),
    path("version/", version.version_page, name="version"),
    path("", include("shopkb.accounts.urls")),
    path("catalog/", include("shopkb.catalog.urls")),
    path("procedures/", include("shopkb.procedures.urls")),
    path("jobs/", include("shopkb.jobs.urls")),
    path("figures/", include("shopkb.reports.urls")),
    path("audit/", include("shopkb.upkeep.urls")),
    path("bench/", include("shopkb.bench.urls")),
    path("shop/", include("shopkb.hosting.urls")),
    # The framework's own pages, for emergencies; the keeper's work has pages of ours.
    *([path("admin/", admin.site.urls)] if settings.ADMIN_PAGES else []),
]
