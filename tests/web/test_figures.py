"""Costs, worth and chances as people type them, and as the comparison is told."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from casebook.outcomes.plan_requests import read_plans
from casebook.web.entry import Entry
from casebook.web.figures import LABELS, build_figures_form, price_search, read_figures

SEARCH = {"codes": [{"code": "P0533"}]}
TODAY = date(2026, 6, 1)


def entry(**fields: str) -> Entry:
    return Entry({name.replace("__", "."): [value] for name, value in fields.items()})


def read(typed: Entry) -> tuple[Any, dict[str, list[str]]]:
    reading = read_figures(typed, SEARCH)
    return reading.check(lambda: read_plans(reading.data, today=TODAY))


@pytest.mark.parametrize(
    "typed, read_as",
    [("240", "240.00"), ("1 900", "1900.00"), ("90,50", "90.50"), ("620 EUR", "620.00")],
)
def test_amounts_are_read_as_people_write_them(typed: str, read_as: str) -> None:
    document, faults = read(entry(costs__service=typed, currency="eur"))
    assert faults == {}
    assert str(document.costs.service) == read_as
    assert document.currency == "EUR"


def test_every_field_of_the_form_reaches_the_request() -> None:
    typed = Entry({name: ["12"] for name in LABELS} | {"currency": ["EUR"]})
    document, faults = read(typed)
    assert faults == {}
    costs = document.costs
    assert {costs.service, costs.component, costs.overhaul, costs.further_damage} == {12}
    assert {costs.replacement.used, costs.replacement.remanufactured, costs.replacement.new} == {12}
    assert document.vehicle.months_left == document.vehicle.months_wanted == 12
    chances = document.probabilities
    # So many of 100, and one figure for whatever unit is fitted.
    assert chances.service == chances.replacement.used == chances.replacement.new == 0.12


def test_blank_says_nothing() -> None:
    document, faults = read(entry(costs__service="  "))
    assert faults == {}
    assert document.costs.service is None
    assert document.vehicle.months_wanted == 24


@pytest.mark.parametrize(
    "name, typed, remedy",
    [
        ("costs.service", "cheap", "Write a number in figures, for example 240"),
        ("costs.comeback", "-5", "from 0"),
        ("costs.replacement.new", "9999999999", "from 0 up to"),
        ("currency", "euros", "three letters"),
        ("probabilities.replacement", "120", "of 100"),
        ("vehicle.months_wanted", "1.5", ""),
        ("vehicle.months_wanted", "400", "120"),
        ("vehicle.value_not_working", "5000", "must not be more"),
        ("labour_rate", "lots", "Write a number"),
    ],
)
def test_a_fault_stands_at_its_field_and_says_what_to_write(
    name: str, typed: str, remedy: str
) -> None:
    sound = {"currency": ["EUR"], "vehicle.value_working": ["4500"], "costs.service": ["100"]}
    document, faults = read(Entry(sound | {name: [typed]}))
    assert document is None
    assert list(faults) == [name]
    assert remedy in faults[name][0]
    assert "probabilit" not in faults[name][0]
    form = build_figures_form(Entry(sound | {name: [typed]}), faults)
    row = next(row for group in form.groups for row in group.rows if row.field.name == name)
    assert row.field.value == typed
    assert row.field.errors == faults[name]
    assert [fault.label for fault in form.faults] == [LABELS[name]]
    # What has a fault is never folded away.
    assert all(group.open for group in form.groups if row in group.rows and group.aside)


def test_checks_are_ranked_by_the_same_costs_and_only_by_sound_ones() -> None:
    typed = entry(costs__service="140", costs__further_damage="10", labour_rate="90")
    assert price_search(typed, SEARCH) == SEARCH
    with_currency = Entry({**typed.fields, "currency": ["EUR"]})
    assert price_search(with_currency, SEARCH) == SEARCH | {
        "costs": {"service": "140.00"},
        "labour_rate": "90.00",
        "currency": "EUR",
    }
    assert price_search(Entry({**with_currency.fields, "costs.overhaul": ["x"]}), SEARCH) == SEARCH
    assert price_search(entry(currency="EUR"), SEARCH) == SEARCH
