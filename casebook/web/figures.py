"""What a person says of costs, worth and chances, as the document that comparing plans takes.

An `Entry` like any other: fields are named as in the request, `costs.replacement.used`; a blank
one says nothing. Chances are typed as "so many of 100". Pure.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.cases.constants import UNIT_SOURCES
from casebook.web.choices import Fault, Faults, Field
from casebook.web.entry import Entry, Reading
from casebook.web.numbers import part_unit, read_number

_COSTS = ("service", "component", "overhaul", "diagnosis", "comeback", "further_damage")
_WORTH = ("value_working", "value_not_working")
_FOR_CHECKS = ("service", "component", "overhaul", "replacement", "diagnosis", "comeback")
_CHANCES = ("service", "component", "overhaul", "replacement")
_CURRENCY = re.compile("[A-Z]{3}")
_MOST = 1e9
MONTHS = 24

LABELS = {
    "costs.service": "Service",
    "costs.component": "Component repair",
    "costs.overhaul": "Overhaul",
    "costs.replacement.used": "Used unit",
    # May part where a column is narrow.
    "costs.replacement.remanufactured": "Remanu\N{SOFT HYPHEN}factured unit",
    "costs.replacement.new": "New unit",
    "costs.diagnosis": "Diagnosis",
    "costs.comeback": "Comeback",
    "costs.further_damage": "Further damage",
    "labour_rate": "An hour of work",
    "currency": "Currency",
    "vehicle.value_working": "Worth working",
    "vehicle.value_not_working": "Worth not working",
    "vehicle.months_wanted": "Months wanted",
    "vehicle.months_left": "Months it will last",
    "probabilities.service": "Service holds",
    "probabilities.component": "Component repair holds",
    "probabilities.overhaul": "Overhaul holds",
    "probabilities.replacement": "Other unit holds",
}


def read_figures(entry: Entry, search: Mapping[str, Any]) -> Reading:
    """search: what was looked up. The data is the request of a comparison of plans."""
    reading = Reading()
    reading.places |= {f"/{name.replace('.', '/')}": name for name in LABELS}
    costs: dict[str, Any] = _amounts(entry, reading, "costs.", _COSTS)
    if sources := _amounts(entry, reading, "costs.replacement.", UNIT_SOURCES):
        costs["replacement"] = sources
    vehicle: dict[str, Any] = _amounts(entry, reading, "vehicle.", _WORTH)
    for name in ("months_wanted", "months_left"):
        number = _number(entry, reading, f"vehicle.{name}", "24")
        if number is not None:
            vehicle[name] = int(number) if number == int(number) else number
    chances = {
        name: chance
        for name in _CHANCES
        if (chance := _chance(entry, reading, f"probabilities.{name}")) is not None
    }
    # Read for its faults; a comparison doesn't use it.
    _amounts(entry, reading, "", ("labour_rate",))
    members = {"costs": costs, "vehicle": vehicle, "probabilities": chances}
    reading.data = {"search": dict(search)} | {k: v for k, v in members.items() if v}
    if currency := entry.text("currency").upper():
        reading.data["currency"] = currency
        if not _CURRENCY.fullmatch(currency):
            reading.faults.append(
                ("currency", "Write the three letters of the currency, for example EUR.")
            )
    return reading


def price_search(entry: Entry, search: Mapping[str, Any]) -> dict[str, Any]:
    """The search with what ranks its checks by money; as it was, where a figure has a fault."""
    reading = read_figures(entry, search)
    if reading.faults or "currency" not in reading.data:
        return dict(search)
    costs = {k: v for k, v in reading.data.get("costs", {}).items() if k in _FOR_CHECKS}
    rate = _amounts(entry, reading, "", ("labour_rate",))
    if not costs:
        return dict(search)
    return {**search, **rate, "costs": costs, "currency": reading.data["currency"]}


def _amounts(entry: Entry, reading: Reading, prefix: str, names: Sequence[str]) -> dict[str, Any]:
    found = {}
    for name in names:
        number = _number(entry, reading, prefix + name, "240 or 240.50")
        if number is not None:
            found[name] = f"{number:.2f}"
    return found


def _number(entry: Entry, reading: Reading, name: str, example: str) -> float | None:
    """A currency or a word behind the number is let be: the field says what it is in."""
    text = entry.text(name)
    if not text:
        return None
    try:
        number = read_number(part_unit(text)[0], example=example)
    except ValueError as error:
        reading.faults.append((name, str(error)))
        return None
    if not 0 <= number < _MOST:
        reading.faults.append((name, "Write a number from 0 up to a thousand million."))
        return None
    return number


def _chance(entry: Entry, reading: Reading, name: str) -> float | None:
    number = _number(entry, reading, name, "60")
    if number is None:
        return None
    if number > 100:
        reading.faults.append((name, "Write how many of 100 would hold: a number from 0 to 100."))
        return None
    return number / 100


@dataclass(frozen=True)
class FigureRow:
    """hint: what a blank stands for, or what belongs in here."""

    field: Field
    label: str
    hint: str
    mode: str


@dataclass(frozen=True)
class FigureGroup:
    """aside: folded away, for the few who know better; open where something was typed there."""

    title: str
    note: str
    rows: Sequence[FigureRow]
    aside: bool = False
    open: bool = False


@dataclass(frozen=True)
class FiguresForm:
    groups: Sequence[FigureGroup]
    faults: Sequence[Fault]


_GROUPS: Sequence[tuple[str, str, Sequence[str], bool]] = (
    (
        "What it costs",
        "Parts and work together. Blank: what similar cases noted, where enough did.",
        [name for name in LABELS if name.startswith("costs.") and name.count(".") == 1][:3]
        + [f"costs.replacement.{source}" for source in UNIT_SOURCES]
        + ["currency"],
        False,
    ),
    (
        "If it fails",
        "Blank counts as nothing.",
        ["costs.diagnosis", "costs.comeback", "costs.further_damage"],
        False,
    ),
    (
        "The vehicle",
        "With both worths, leaving it is compared too.",
        ["vehicle.value_working", "vehicle.value_not_working", "vehicle.months_wanted"],
        False,
    ),
    (
        "Your own chances",
        "How many of 100 would hold for the months wanted. Blank: what the cases say.",
        [name for name in LABELS if name.startswith("probabilities.")],
        True,
    ),
    (
        "More",
        "The hour ranks the checks by what they save.",
        ["labour_rate", "vehicle.months_left"],
        True,
    ),
)
_HINTS = {
    "costs.diagnosis": "finding out why it came back",
    "costs.comeback": "goodwill, towing, a loan car",
    "costs.further_damage": "what a failed repair harms besides",
    "vehicle.value_working": "sold today, in order",
    "vehicle.value_not_working": "sold today, as it stands",
    "vehicle.months_wanted": "1 to 120",
    "vehicle.months_left": "blank: by its age",
}


def build_figures_form(
    entry: Entry,
    faults: Faults | None = None,
    *,
    currency: str | None = None,
    blanks: Mapping[str, str] | None = None,
) -> FiguresForm:
    """currency: of the similar cases, offered where none was typed. blanks: what was taken for
    fields left blank, by name."""
    faults, blanks = faults or {}, blanks or {}
    preset = {"currency": currency or "", "vehicle.months_wanted": str(MONTHS)}
    groups = []
    for title, note, names, aside in _GROUPS:
        rows = [
            FigureRow(
                field=Field(name, entry.text(name) or preset.get(name, ""), faults.get(name, ())),
                label=LABELS[name],
                hint=f"blank: {blanks[name]}" if name in blanks else _HINTS.get(name, ""),
                mode="" if name == "currency" else "decimal",
            )
            for name in names
        ]
        touched = any(entry.text(name) or name in faults for name in names)
        groups.append(FigureGroup(title, note, rows, aside, touched))
    return FiguresForm(
        groups=groups,
        faults=[
            Fault(name if name in LABELS else "", LABELS.get(name, ""), detail)
            for name, details in faults.items()
            for detail in details
        ],
    )
