from __future__ import annotations

from typing import TYPE_CHECKING

from axes.utils import reset
from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.models import Group
from django.db.models import QuerySet
from django.http import HttpRequest

from shopkb.accounts import second_factor
from shopkb.accounts.models import User

# Rights come with the role; a page for groups would only seem to give some.
admin.site.unregister(Group)


if TYPE_CHECKING:
    PeopleAdmin = UserAdmin[User]
else:
    PeopleAdmin = UserAdmin


@admin.register(User)
class PersonAdmin(PeopleAdmin):
    """People and their roles. What a role may do stands in roles.py, so there are no single permissions here."""

    list_display = ("username", "called", "role", "is_active", "last_login")
    list_filter = ("role", "is_active")
    actions = ("let_sign_in_again", "take_pin_away", "take_second_factor_away")
    ordering = ("username",)
    filter_horizontal = ()
    fieldsets = (
        (None, {"fields": ("username", "password")}),
        ("Person", {"fields": ("called", "first_name", "last_name", "email")}),
        ("Rights", {"fields": ("role", "is_active", "is_superuser")}),
        ("Dates", {"fields": ("last_login", "date_joined")}),
    )
    add_fieldsets = (
        (
            None,
            {
                "classes": ("wide",),
                "fields": ("username", "called", "role", "usable_password", "password1", "password2"),
            },
        ),
    )

    @admin.action(description="Let them sign in again at once after too many wrong passwords")
    def let_sign_in_again(self, request: HttpRequest, people: QuerySet[User]) -> None:
        for person in people:
            reset(username=person.username)
            reset(username=f"{person.username}{second_factor.COUNTED}")
        self.message_user(request, "They can sign in again.")

    @admin.action(description="Take their PIN away; they set a new one with their password")
    def take_pin_away(self, request: HttpRequest, people: QuerySet[User]) -> None:
        for person in people:
            person.pin = ""
            person.save(update_fields=["pin"])
        self.message_user(request, "They have no PIN any more.")

    @admin.action(description="Take their second factor away; their phone is lost, or they set it up anew")
    def take_second_factor_away(self, request: HttpRequest, people: QuerySet[User]) -> None:
        for person in people:
            second_factor.take_away(person)
        self.message_user(request, "They have no second factor any more. Make sure that it was they who asked.")
