from django.contrib.auth.views import LoginView, LogoutView, PasswordChangeView
from django.urls import path, reverse_lazy

urlpatterns = [
    path(
        "sign-in/",
        LoginView.as_view(template_name="accounts/login.html", redirect_authenticated_user=True),
        name="login",
    ),
    path("sign-out/", LogoutView.as_view(), name="logout"),
    path(
        "password/",
        PasswordChangeView.as_view(template_name="accounts/password.html", success_url=reverse_lazy("home")),
        name="password",
    ),
]
