"""A shop's own case and lists of them, as finished values for the templates. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from casebook.web.answer import shorten
from casebook.web.story import name_vehicle, name_whole_unit, outcome_rank, tell_story
from casebook.web.words import (
    FOLLOW_UP_NAMES,
    LEVEL_NAMES,
    RESULT_NAMES,
    STATE_NAMES,
    say_count,
    say_day,
    say_days,
    say_odometer,
)

_MASKED_NAMES = {
    "email": "e-mail address",
    "url": "web address",
    "vin": "VIN",
    "iban": "account number",
    "card": "card number",
    "plate": "number plate",
    "order": "order number",
    "phone": "phone number",
    "address": "street address",
    "name": "name",
}


@dataclass(frozen=True)
class Row:
    """One case in a list."""

    path: str
    vehicle: str
    unit: str
    reference: str
    opened: str
    state: str
    last: str
    rank: int
    complaint: str
    codes: Sequence[str]
    due: str


@dataclass(frozen=True)
class DueRow:
    """An outcome owed, with what its one-tap form needs."""

    case_id: str
    path: str
    vehicle: str
    unit: str
    reference: str
    repair: str
    rank: int
    owed: str
    odometer_then: str
    odometer_unit: str
    errors: Sequence[str] = ()
    odometer: str = ""


def present_row(case: Mapping[str, Any], *, today: date) -> Row:
    due = case.get("next_due_on")
    return Row(
        path=f"/cases/{case['id']}",
        vehicle=name_vehicle(case["vehicle"]),
        unit=name_whole_unit(case["unit"]),
        reference=say_reference(case),
        opened=say_day(case["opened_on"]),
        state=say_state(case),
        last=say_last(case),
        rank=outcome_rank(case),
        complaint=shorten(case["complaint"], 120),
        codes=[code["code"] for code in case["codes"]],
        due=say_due(date.fromisoformat(due), today) if due else "",
    )


def say_state(case: Mapping[str, Any]) -> str:
    if case["state"] == "repaired" and _did_not_help(case):
        return "Not fixed: the next attempt is open"
    return STATE_NAMES.get(case["state"], str(case["state"]))


def _did_not_help(case: Mapping[str, Any]) -> bool:
    tried = [item for item in case["attempts"] if item["level"] != "none"] or case["attempts"]
    return bool(tried) and tried[-1]["result"] == "not_fixed"


def say_reference(case: Mapping[str, Any]) -> str:
    if not case["shop_reference"]:
        return ""
    reference, number = str(case["shop_reference"]), case["complaint_no"]
    return f"{reference}, complaint {number}" if number > 1 else reference


def say_last(case: Mapping[str, Any]) -> str:
    """The last thing known of it."""
    if case["follow_ups"]:
        last = case["follow_ups"][-1]
        return f"{FOLLOW_UP_NAMES[last['state']]}, {say_day(last['on'])}"
    if case["attempts"]:
        return say_repair(case)
    return "No attempt yet"


def say_repair(case: Mapping[str, Any]) -> str:
    last = case["attempts"][-1]
    return (
        f"{LEVEL_NAMES[last['level']]}, {say_day(last['on'])}: "
        + RESULT_NAMES[last["result"]].lower()
    )


def say_due(due_on: date, today: date) -> str:
    days = (today - due_on).days
    if days < 0:
        return f"outcome due in {say_days(-days)}"
    if days == 0:
        return "outcome owed today"
    return f"outcome owed for {say_days(days)}"


def present_due(case: Mapping[str, Any], *, today: date) -> DueRow:
    odometer = case["vehicle"].get("odometer") or {}
    return DueRow(
        case_id=case["id"],
        path=f"/cases/{case['id']}",
        vehicle=name_vehicle(case["vehicle"]),
        unit=name_whole_unit(case["unit"]),
        reference=say_reference(case),
        repair=say_repair(case),
        rank=outcome_rank(case),
        owed=say_due(date.fromisoformat(case["next_due_on"]), today),
        odometer_then=say_odometer(odometer),
        odometer_unit=odometer.get("unit") or "km",
    )


def say_masked(masked: Sequence[Mapping[str, Any]]) -> list[str]:
    """'2 phone numbers': what was taken out of free text, never the text."""
    said = []
    for item in masked:
        name = _MASKED_NAMES.get(item["kind"], item["kind"].replace("_", " "))
        plural = f"{name}es" if name.endswith("s") else f"{name}s"
        said.append(say_count(item["count"], name, plural))
    return said


def present_own_case(case: Mapping[str, Any], *, today: date) -> dict[str, Any]:
    due = case.get("next_due_on")
    return {
        "story": tell_story(case),
        "case_id": case["id"],
        "version": case["version"],
        "reference": say_reference(case),
        "state": say_state(case),
        "helped": not _did_not_help(case),
        "due": say_due(date.fromisoformat(due), today) if due else "",
        "masked": say_masked(case["masked"]),
        "warnings": [warning["detail"] for warning in case["warnings"]],
        "attempts": [
            f"{LEVEL_NAMES[item['level']]}, {say_day(item['on'])}" for item in case["attempts"]
        ],
        "follow_ups": [
            f"{FOLLOW_UP_NAMES[item['state']]}, {say_day(item['on'])}"
            for item in case["follow_ups"]
        ],
    }
