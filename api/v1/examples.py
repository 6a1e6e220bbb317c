"""One worked example per request; the tests send each of them."""

from __future__ import annotations

from drf_spectacular.utils import OpenApiExample

CASE = OpenApiExample(
    "An air conditioning case",
    value={
        "shop_reference": "51907",
        "opened_on": "2026-04-14",
        "vehicle": {
            "year": 2020,
            "make": "Lunaro",
            "model": "Metro",
            "engine": "1.2 petrol",
            "odometer": {"value": 64500, "unit": "km"},
        },
        "unit": {"kind": "ac_system", "family": "RT-2"},
        "complaint": "Cold on the left vents only, worse after standing in the sun",
        "codes": [{"code": "P0532", "status": "stored"}],
        "symptoms": [{"symptom": "warm_air", "when": ["after_sitting", "hot"]}],
        "findings": [
            {"check": "dye_inspection", "result": "seepage"},
            {"check": "low_side_pressure", "value": 85, "unit": "kPa"},
        ],
        "attempts": [
            {
                "on": "2026-04-15",
                "level": "service",
                "actions": ["recharge_refrigerant"],
                "parts_cost": "52.00",
                "labour_hours": 0.9,
                "labour_cost": "81.00",
                "currency": "EUR",
                "result": "fixed",
            }
        ],
    },
    request_only=True,
)
ATTEMPT = OpenApiExample(
    "A second visit",
    value={
        "on": "2026-05-20",
        "level": "component",
        "actions": ["replace_condenser"],
        "parts_cost": "189.00",
        "labour_hours": 2.5,
        "labour_cost": "225.00",
        "currency": "EUR",
        "result": "fixed",
    },
    request_only=True,
)
FOLLOW_UP = OpenApiExample(
    "Still cold a month later",
    value={
        "on": "2026-06-22",
        "state": "holding",
        "odometer": {"value": 66100, "unit": "km"},
    },
    request_only=True,
)
SEARCH = OpenApiExample(
    "What the technician knows at the bench",
    value={
        "vehicle": {"year": 2019, "make": "Lunaro"},
        "unit": {"kind": "ac_system"},
        "complaint": "warm air in slow traffic",
        "codes": ["P0532"],
        "symptoms": ["warm_air"],
        "findings": [{"check": "dye_inspection", "result": "seepage"}],
        "limit": 10,
    },
    request_only=True,
)
PLANS = OpenApiExample(
    "Is a recharge worth trying before the compressor?",
    value={
        "search": {
            "vehicle": {"year": 2017, "make": "Lunaro"},
            "unit": {"kind": "ac_system"},
            "complaint": "warm air in slow traffic",
            "codes": ["P0532"],
        },
        "costs": {
            "service": "140.00",
            "component": "620.00",
            "overhaul": None,
            "replacement": {"used": "900.00", "remanufactured": "1350.00", "new": None},
            "diagnosis": "60.00",
            "comeback": "120.00",
        },
        "currency": "EUR",
        "vehicle": {
            "value_working": "4500.00",
            "value_not_working": "3600.00",
            "months_wanted": 24,
        },
        "probabilities": {"service": 0.5},
    },
    request_only=True,
)
EXPORT = OpenApiExample(
    "Air conditioning, by trouble code and level",
    value={
        "group_by": ["code", "level"],
        "filters": {"unit_kind": "ac_system", "year_min": 2015},
        "horizon_days": 365,
        "format": "csv",
    },
    request_only=True,
)
