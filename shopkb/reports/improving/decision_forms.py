"""Forms for deciding what becomes of a suggestion: one for each thing that can."""

from __future__ import annotations

from typing import Any

from django import forms

from shopkb.accounts.models import User
from shopkb.jobs.forms.fields import IdempotentForm, offer
from shopkb.procedures.models import Revision
from shopkb.reports.figures.decisions import Decided
from shopkb.reports.figures.suggestions import Subject
from shopkb.reports.improving.deciding import LONGEST, who_may_do_it


class DecisionForm(IdempotentForm):
    """``heading`` is what it is, ``button`` what is pressed."""

    decided: Decided
    heading = button = ""

    words = forms.CharField(label="Remark", max_length=LONGEST, required=False)

    def __init__(self, subject: Subject, data: Any = None) -> None:
        super().__init__(data, prefix=self.decided.value.partition(" ")[0])

    @property
    def person(self) -> User | None:
        return None

    @property
    def revision(self) -> int | None:
        return None


class GiveForm(DecisionForm):
    decided, heading, button = Decided.GIVEN, "Give it to somebody", "Give it"

    whom = forms.ChoiceField(label="To")
    field_order = ("whom", "words")

    def __init__(self, subject: Subject, data: Any = None) -> None:
        super().__init__(subject, data)
        offer(self, "whom", [("", "Choose"), *((one.username, str(one)) for one in who_may_do_it())])

    @property
    def person(self) -> User | None:
        return User.objects.filter(username=self.cleaned_data["whom"]).first()


class DoneForm(DecisionForm):
    decided, heading, button = Decided.DONE, "It has been done", "It is done"

    number = forms.ChoiceField(
        label="In revision", required=False,
        help_text="Then what it brought is measured: the jobs since beside those before.",
    )  # fmt: skip
    field_order = ("number", "words")

    def __init__(self, subject: Subject, data: Any = None) -> None:
        super().__init__(subject, data)
        published = Revision.objects.filter(procedure__key=subject.procedure, published_at__isnull=False)
        numbers = published.order_by("-number").values_list("number", "why")
        if not numbers:
            del self.fields["number"]
            return
        named = ((str(number), f"{number}: {why}" if why else str(number)) for number, why in numbers)
        offer(self, "number", [("", "None of these"), *named])

    @property
    def revision(self) -> int | None:
        number = self.cleaned_data.get("number")
        return int(number) if number else None


class WatchForm(DecisionForm):
    decided, heading, button = Decided.WATCHED, "Wait and watch it", "Watch it"


class DismissForm(DecisionForm):
    decided, heading, button = Decided.DISMISSED, "Put it aside", "Put it aside"

    words = forms.CharField(label="Why", max_length=LONGEST)


class TakeUpForm(DecisionForm):
    decided, heading, button = Decided.TAKEN_UP, "Put it back on the list", "Put it back"


FORMS: tuple[type[DecisionForm], ...] = (GiveForm, DoneForm, WatchForm, DismissForm, TakeUpForm)
