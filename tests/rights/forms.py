"""The forms that stand on a page, as a browser would send them."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

TOKEN = "csrfmiddlewaretoken"


@dataclass
class Form:
    """``fields``: names in order with the value that would be sent untouched; buttons with theirs."""

    path: str
    method: str
    fields: dict[str, str] = field(default_factory=dict)


class Forms(HTMLParser):
    """Reads a page; ``found`` is in the order of the page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.page = page
        self.found: list[Form] = []
        self.named: dict[str, Form] = {}
        self.inside: Form | None = None
        self.choosing: tuple[Form, str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if tag == "form":
            path = urlsplit(urljoin(self.page, said.get("action", ""))).path
            self.inside = self.named.setdefault(said.get("id", path), Form(path, said.get("method", "get").lower()))
            self.inside.path, self.inside.method = path, said.get("method", "get").lower()
            self.found.append(self.inside)
        elif tag == "option" and self.choosing:
            form, name = self.choosing
            if "selected" in said or not form.fields[name]:
                form.fields[name] = said.get("value", "")
        elif said.get("name") and tag in ("input", "select", "textarea", "button"):
            self._field(tag, said)

    def _field(self, tag: str, said: dict[str, str]) -> None:
        owner = self.named.setdefault(said["form"], Form("", "")) if "form" in said else self.inside
        if owner is None or said["name"] == TOKEN:
            return
        if said.get("type") in ("checkbox", "radio") and "checked" not in said:
            owner.fields.setdefault(said["name"], said.get("value", "on"))
        else:
            owner.fields[said["name"]] = said.get("value", "")
        if tag == "select":
            self.choosing = (owner, said["name"])

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.inside = None
        elif tag == "select":
            self.choosing = None


def forms_on(page: str, html: str) -> list[Form]:
    """Forms of the page at this path, those that send nothing left out."""
    reader = Forms(page)
    reader.feed(html)
    return [form for form in reader.found if form.fields]
