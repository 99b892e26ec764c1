from django.urls import path

from shopkb.upkeep import audit_pages

app_name = "upkeep"
urlpatterns = [
    path("", audit_pages.audit_page, name="audit"),
    path("file.csv", audit_pages.audit_file, name="audit-file"),
    path("readers/", audit_pages.readers_page, name="readers"),
]
