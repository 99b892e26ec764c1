from django.contrib.auth.views import LogoutView, PasswordChangeView
from django.urls import path, reverse_lazy

from shopkb.accounts import views

urlpatterns = [
    path("sign-in/", views.SignIn.as_view(), name="login"),
    path("switch/", views.switch, name="switch"),
    path("pin/", views.pin, name="pin"),
    path("sign-out/", LogoutView.as_view(), name="logout"),
    path(
        "password/",
        PasswordChangeView.as_view(template_name="accounts/password.html", success_url=reverse_lazy("home")),
        name="password",
    ),
]
