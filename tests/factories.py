"""Shops, people, keys and case documents for tests."""

from __future__ import annotations

import copy
from itertools import count
from typing import Any

from casebook.cases.models import Case
from casebook.cases.reading import read_case
from casebook.cases.services import create_case, today
from casebook.shops.models import Person, Shop
from casebook.shops.services import add_key, add_person, add_shop

_numbers = count(1)


def make_shop(name: str = "") -> Shop:
    return add_shop(name=name or f"Bay {next(_numbers)} Motors", region="North")


def make_key(shop: Shop, *roles: str) -> str:
    """The secret of a new key."""
    return add_key(shop=shop, roles=roles)[1]


def make_person(shop: Shop, role: str = "technician") -> Person:
    # Without a password: tests sign in by session, and hashing one is slow on purpose.
    return add_person(shop=shop, email=f"kim{next(_numbers)}@example.org", role=role)


def case_data(**changes: Any) -> dict[str, Any]:
    """A whole case as a shop's system would post it; members given here replace its own."""
    return copy.deepcopy(_CASE) | changes


def make_case(shop: Shop, **changes: Any) -> Case:
    changes.setdefault("shop_reference", f"R-{next(_numbers)}")
    return create_case(shop=shop, document=read_case(case_data(**changes), today=today()))


_CASE: dict[str, Any] = {
    "shop_reference": "70311",
    "complaint_no": 2,
    "opened_on": "2026-05-11",
    "vehicle": {
        "vin": None,
        "year": 2018,
        "make": "Talvera",
        "model": "Cargo 2",
        "engine": "1.6 diesel",
        "drive": "front",
        "odometer": {"value": 148200, "unit": "km"},
    },
    "unit": {"kind": "ac_system", "family": "HV-3"},
    "complaint": "Only lukewarm after twenty minutes, hissing behind the dash",
    "notes": "Customer waits. Call 0171 2345678 when ready.",
    "codes": [{"code": "P0533", "status": "pending", "module": "HVAC"}],
    "symptoms": ["warm_air", {"symptom": "compressor_cycles_fast", "when": ["hot"]}],
    "findings": [
        {"check": "dye_inspection", "result": "seepage"},
        {"check": "low_side_pressure", "value": 95, "unit": "kPa"},
        {"check": "compressor_clutch_gap", "result": "worn", "stage": "repair"},
    ],
    "attempts": [
        {
            "on": "2026-05-12",
            "level": "service",
            "actions": ["recharge_refrigerant"],
            "parts_cost": "48.50",
            "labour_hours": 0.7,
            "labour_cost": "63.00",
            "currency": "EUR",
            "result": "fixed",
        }
    ],
    "cause": {"text": "O-ring at the evaporator seeping", "confirmed": True},
    "follow_ups": [
        {"on": "2026-06-15", "state": "holding", "odometer": {"value": 150400, "unit": "km"}}
    ],
}


def make_pool(*shops: Shop) -> None:
    """In each shop services that held and some that came back, and component repairs that held;
    all followed for two years. A pressure test tells the component repairs from the rest."""
    service = case_data()["attempts"][0] | {"on": "2024-03-02"}
    component = service | {
        "level": "component",
        "actions": ["replace_condenser"],
        "parts_cost": "480.00",
        "labour_cost": "190.00",
    }
    held = [{"on": f"{year}-03-20", "state": "holding"} for year in (2025, 2026)]
    back = [{"on": "2024-08-01", "state": "came_back"}]
    courses = (
        (service, held, "normal"),
        (service, held, "normal"),
        (service, back, "condenser_leak"),
        (component, held, "condenser_leak"),
    )
    for shop in shops:
        for attempt, follow_ups, result in courses * 2:
            make_case(
                shop,
                opened_on="2024-03-01",
                attempts=[attempt],
                follow_ups=follow_ups,
                findings=[
                    *case_data()["findings"],
                    {"check": "leak_test_nitrogen", "result": result},
                ],
            )
