from django.contrib.auth.views import LogoutView
from django.urls import path

from shopkb.accounts import people, views

urlpatterns = [
    path("sign-in/", views.SignIn.as_view(), name="login"),
    path("switch/", views.switch, name="switch"),
    path("pin/", views.pin, name="pin"),
    path("second-factor/", views.second_factor_page, name="second-factor"),
    path("second-factor/set/", views.set_second_factor, name="second-factor-set"),
    path("sign-out/", LogoutView.as_view(), name="logout"),
    path("people/", people.people, name="people"),
    path("people/new/", people.person, name="person-new"),
    path("people/<str:username>/", people.person, name="person"),
    path("people/<str:username>/<slug:act>/", people.act_on_person, name="person-act"),
    path("password/", views.NewPassword.as_view(), name="password"),
]
