from django.urls import path

from shopkb.hosting import views

app_name = "hosting"
urlpatterns = [
    path("", views.chosen, name="choices"),
    path("next/", views.next_steps, name="next"),
    path("by-itself/", views.by_itself, name="by-itself"),
    path("by-itself/encryption/", views.encrypted_copies, name="encryption"),
    path("tablets/", views.tablets, name="tablets"),
    path("trust/", views.trust, name="trust"),
    path("trust/authority.crt", views.authority, name="authority"),
    path("open/<str:token>/", views.opening, name="opening"),
]
