"""A table that the office sends, read as a list of vehicles: which column is what, and what each line says."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from django.core.exceptions import ValidationError
from rapidfuzz import fuzz, process

from shopkb.catalog.models import Platform
from shopkb.catalog.platform_names import platform_names
from shopkb.core.identifiers import VinState, check_vin
from shopkb.jobs.actions.vehicles import Became, ListedVehicle, Outcome, VehicleDetails
from shopkb.jobs.forms.intake import IntakeForm
from shopkb.jobs.models import Vehicle
from shopkb.jobs.registrations import bare_registration, normal_registration
from shopkb.web.csv_cells import MARK, safe
from shopkb.web.sent_tables import SentRow, SentTable

FIELDS = {
    "registration": "Registration",
    "vin": "VIN",
    "vehicle": "Vehicle",
    "year": "Year",
    "reference": "Customer's reference",
}
"""What a column may be, with its words; a list needs the first."""
HEADINGS: Mapping[str, tuple[str, ...]] = {
    "registration": (
        "registration", "registration number", "registration no", "vehicle registration", "reg", "reg no", "plate",
        "number plate", "licence plate", "license plate",
    ),
    "vin": ("vin", "vehicle identification number", "chassis", "chassis number", "chassis no", "frame number"),
    "vehicle": ("vehicle", "model", "make and model", "vehicle model", "type", "vehicle type", "kind of vehicle"),
    "year": ("year", "model year", "year of manufacture", "year built", "built"),
    "reference": (
        "customer's reference", "customer reference", "reference", "ref", "our reference", "your reference", "customer",
        "customer number", "customer no", "account", "account number", "account no", "fleet number", "fleet no",
    ),
}  # fmt: skip
"""What people write above such a column."""
ALIKE = 88
"""How alike a heading must be to one of those, of 100."""
NEAR = 60
"""How alike the name of a vehicle must be to be offered as what may be meant."""


class BadColumns(Exception):
    """The columns chosen cannot be; the sentence says why."""


@dataclass(frozen=True, slots=True)
class ReadLine:
    """One line of the list. ``wrong`` says why it cannot be; ``note`` what to look at although it can."""

    row: SentRow
    listed: ListedVehicle | None
    wrong: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Kinds:
    """The vehicles of the catalogue by what people call them, in plain small letters; a name may mean several."""

    by_name: Mapping[str, tuple[Platform, ...]]
    names: Mapping[str, str]

    @classmethod
    def read(cls) -> Kinds:
        full, found = platform_names(), dict[str, list[Platform]]()
        for row in Platform.objects.all():
            for name in {_plain(row.name), _plain(full.get(row.path, row.name)), _plain(row.path)}:
                found.setdefault(name, []).append(row)
        return cls({name: tuple(rows) for name, rows in found.items()}, full)

    def called(self, words: str) -> Platform:
        """Raises:
        ValidationError: none is called so, or several are.
        """
        rows = self.by_name.get(_plain(words), ())
        if len(rows) == 1:
            return rows[0]
        if rows:
            offered = " or ".join(f"“{self.names.get(row.path, row.path)}”" for row in rows[:3])
            raise ValidationError(f"“{words}” may be several vehicles of the catalogue. Write {offered}.")
        near = process.extractOne(_plain(words), {path: _plain(name) for path, name in self.names.items()})
        meant = f" Is it “{self.names[near[2]]}”?" if near is not None and near[1] >= NEAR else ""
        raise ValidationError(f"The catalogue has no vehicle “{words}”.{meant}")


def guessed_columns(headings: Sequence[str]) -> dict[str, int]:
    """Which column is which, by its heading: the same words, else words that are nearly those. Each column is one
    thing; what no heading is like is left out."""
    scores = sorted(
        (
            (-_alike(heading, names), place, name)
            for place, heading in enumerate(headings)
            for name, names in HEADINGS.items()
            if _alike(heading, names) >= ALIKE
        )
    )
    found: dict[str, int] = {}
    for _score, place, name in scores:
        if name not in found and place not in found.values():
            found[name] = place
    return found


def read_lines(table: SentTable, columns: Mapping[str, int], otherwise: Platform | None) -> Iterator[ReadLine]:
    """What each line says. ``otherwise``: the vehicle of lines that name none.

    Raises:
        BadColumns: the registration is missing, or a column is two things.
    """
    if "registration" not in columns:
        raise BadColumns("Choose the column with the registration: it is how a vehicle is found again.")
    if len(set(columns.values())) < len(columns):
        twice = next(place for place in columns.values() if list(columns.values()).count(place) > 1)
        raise BadColumns(f"The column “{table.headings.cells[twice]}” is chosen twice. Choose it for one thing.")
    kinds = Kinds.read()
    for row in table.rows:
        yield _read_line(row, len(table.headings.cells), columns, kinds, otherwise)


def _read_line(
    row: SentRow, width: int, columns: Mapping[str, int], kinds: Kinds, otherwise: Platform | None
) -> ReadLine:
    if any(row.cells[width:]):
        return ReadLine(
            row, None, f"It has {len(row.cells)} cells and the headings are {width}. A separator may stand in a cell."
        )
    told = {name: row.cells[place] for name, place in columns.items()}
    fields, wrong = IntakeForm.base_fields, []
    values: dict[str, object] = {}
    for name in ("registration", "vin", "year"):
        if name == "registration" and not told[name]:
            wrong.append("The registration is missing.")
            continue
        try:
            values[name] = fields[name].clean(told.get(name, ""))
        except ValidationError as error:
            wrong.append(f"{FIELDS[name]}: {' '.join(error.messages)}")
    platform = None
    try:
        platform = kinds.called(told["vehicle"]) if told.get("vehicle") else None
    except ValidationError as error:
        wrong.append(error.messages[0])
    longest = Vehicle._meta.get_field("customer_reference").max_length or 0
    reference = told.get("reference", "")
    if len(reference) > longest:
        wrong.append(f"{FIELDS['reference']}: {len(reference)} characters; at most {longest} are kept.")
    registration = normal_registration(str(values.get("registration", "")))
    if "registration" in values and not bare_registration(registration):
        wrong.append("Registration: there is no letter or figure in it.")
    if wrong:
        return ReadLine(row, None, " ".join(one if one.endswith((".", "?")) else f"{one}." for one in wrong))
    vin, year = str(values["vin"]), values["year"]
    said = VehicleDetails(registration, platform, vin, year if isinstance(year, int) else None, reference)
    checked = check_vin(vin) if vin else None
    note = f"{checked.words}." if checked is not None and checked.state is VinState.WRONG else ""
    return ReadLine(row, ListedVehicle(row.line, said, otherwise), note=note)


def wrong_lines_csv(table: SentTable, wrong: Sequence[tuple[SentRow, str]]) -> str:
    """The lines that were not taken in, as they came, with their number and what is wrong: to be put right and sent
    again as they are."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, dialect="excel")
    writer.writerow([safe(words) for words in ("Line", "What is wrong", *table.headings.cells)])
    for row, words in wrong:
        writer.writerow([row.line, safe(words), *map(safe, row.cells)])
    return MARK + out.getvalue()


def wrong_of(lines: Sequence[ReadLine], outcomes: Mapping[int, Outcome]) -> list[tuple[SentRow, str]]:
    """The rows that are wrong in themselves or against what is known, in their order, with the reason."""
    found = []
    for line in lines:
        outcome = outcomes.get(line.row.line)
        if line.wrong:
            found.append((line.row, line.wrong))
        elif outcome is not None and outcome.became is Became.WRONG:
            found.append((line.row, outcome.words))
    return found


def _alike(heading: str, names: Sequence[str]) -> float:
    plain = _plain(heading)
    return max(fuzz.ratio(plain, _plain(name)) for name in names) if plain else 0.0


def _plain(text: str) -> str:
    return " ".join(re.findall(r"\w+", text.casefold().replace("'", "").replace("’", "")))
