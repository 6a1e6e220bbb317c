"""A case told in order: what came in, what was done, what it showed, how it ended. Pure.

Takes the two shapes of a case: as its shop wrote it, and as others may see it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from casebook.cases.constants import LEVEL_RANK
from casebook.web.words import (
    FOLLOW_UP_NAMES,
    LEVEL_MEANINGS,
    LEVEL_NAMES,
    RESULT_NAMES,
    SPAN,
    STATUS_NAMES,
    UNIT_SOURCE_NAMES,
    group_thousands,
    name_action,
    name_check,
    name_condition,
    name_result,
    name_symptom,
    name_unit,
    say_count,
    say_day,
    say_days,
    say_month,
    say_number,
    say_odometer,
)

Case = Mapping[str, Any]


@dataclass(frozen=True)
class Evidence:
    """What was learned at one stage, in words."""

    codes: Sequence[str] = ()
    symptoms: Sequence[str] = ()
    findings: Sequence[tuple[str, str]] = ()

    @property
    def says_something(self) -> bool:
        return bool(self.codes or self.symptoms or self.findings)


@dataclass(frozen=True)
class Tried:
    when: str
    level: str
    meaning: str
    rank: int
    result: str
    actions: Sequence[str]
    facts: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Seen:
    when: str
    state: str
    odometer: str


@dataclass(frozen=True)
class Story:
    title: str
    vehicle: str
    unit: str
    opened: str
    complaint: str
    notes: str
    cause: str
    cause_confirmed: bool
    outcome: str
    outcome_rank: int
    intake: Evidence
    repair: Evidence
    after: Evidence
    tried: Sequence[Tried] = ()
    seen: Sequence[Seen] = field(default_factory=tuple)


def tell_story(case: Case) -> Story:
    vehicle, unit, cause = case["vehicle"], case["unit"], case.get("cause") or {}
    seen = [_tell_follow_up(item) for item in case.get("follow_ups", ())]
    return Story(
        title=name_vehicle(vehicle),
        vehicle=", ".join(_vehicle_details(vehicle)),
        unit=name_whole_unit(unit),
        opened=say_month(case["opened_in"]) if "opened_in" in case else say_day(case["opened_on"]),
        complaint=case.get("complaint", ""),
        notes=case.get("notes", ""),
        cause=cause.get("text", ""),
        cause_confirmed=bool(cause.get("confirmed")),
        outcome=say_outcome(case),
        outcome_rank=outcome_rank(case),
        intake=tell_evidence(case, "intake"),
        repair=tell_evidence(case, "repair"),
        after=tell_evidence(case, "after"),
        tried=[_tell_attempt(attempt) for attempt in case.get("attempts", ())],
        seen=seen,
    )


def name_vehicle(vehicle: Mapping[str, Any]) -> str:
    named = (vehicle.get("year"), vehicle.get("make"), vehicle.get("model"))
    return " ".join(str(part) for part in named if part) or "Vehicle not said"


def name_whole_unit(unit: Mapping[str, Any]) -> str:
    return " ".join(part for part in (name_unit(unit.get("kind")), unit.get("family")) if part)


def _vehicle_details(vehicle: Mapping[str, Any]) -> list[str]:
    details = [vehicle.get("engine", "")]
    if drive := vehicle.get("drive"):
        details.append(f"{drive} drive" if drive in ("front", "rear", "all") else drive)
    details.append(say_distance(vehicle))
    return [detail for detail in details if detail]


def say_distance(vehicle: Mapping[str, Any]) -> str:
    """The odometer, or the band that others see."""
    if band := vehicle.get("odometer_band_km"):
        low, high = band
        said = (
            f"{low // 1000}{SPAN}{group_thousands(high)}"
            if low
            else f"under {group_thousands(high)}"
        )
        return f"{said}\N{NO-BREAK SPACE}km"
    return say_odometer(vehicle.get("odometer"))


def tell_evidence(case: Case, stage: str) -> Evidence:
    def at_stage(name: str) -> list[Mapping[str, Any]]:
        return [item for item in case.get(name, ()) if item.get("stage", "intake") == stage]

    return Evidence(
        codes=[say_code(code) for code in at_stage("codes")],
        symptoms=[say_symptom(symptom) for symptom in at_stage("symptoms")],
        findings=[say_finding(finding) for finding in at_stage("findings")],
    )


def say_code(code: Mapping[str, Any]) -> str:
    said = [code["code"], STATUS_NAMES.get(code.get("status", ""), "")]
    if module := code.get("module"):
        said.append(f"({module})")
    return " ".join(part for part in said if part)


def say_symptom(symptom: Mapping[str, Any]) -> str:
    said = name_symptom(symptom["symptom"])
    if when := symptom.get("when"):
        said += f" ({', '.join(name_condition(key).lower() for key in when)})"
    return said


def say_finding(finding: Mapping[str, Any]) -> tuple[str, str]:
    check = finding["check"]
    if finding.get("value") is not None:
        unit = finding.get("unit") or ""
        return name_check(check), f"{say_number(finding['value'])}\N{NO-BREAK SPACE}{unit}".strip()
    return name_check(check), name_result(check, finding.get("result") or "")


def _tell_attempt(attempt: Mapping[str, Any]) -> Tried:
    level = attempt["level"]
    facts = []
    if other := attempt.get("unit"):
        facts.append(("On another unit", name_whole_unit(other)))
    if source := attempt.get("unit_source"):
        facts.append(("Unit fitted", UNIT_SOURCE_NAMES.get(source, source)))
    currency = attempt.get("currency") or ""
    for name, label in (("parts_cost", "Parts"), ("labour_cost", "Labour")):
        if attempt.get(name) is not None:
            facts.append((label, f"{attempt[name]} {currency}".strip()))
    if (hours := attempt.get("labour_hours")) is not None:
        facts.append(("Time", f"{float(hours):g} h"))
    return Tried(
        when=say_month(attempt["in"]) if "in" in attempt else say_day(attempt["on"]),
        level=LEVEL_NAMES.get(level, level),
        meaning=LEVEL_MEANINGS.get(level, ""),
        rank=LEVEL_RANK.get(level, 0),
        result=RESULT_NAMES.get(attempt["result"], attempt["result"]),
        actions=[name_action(key) for key in attempt.get("actions", ())],
        facts=facts,
    )


def _tell_follow_up(item: Mapping[str, Any]) -> Seen:
    return Seen(
        when=say_day(item["on"]),
        state=FOLLOW_UP_NAMES.get(item["state"], item["state"]),
        odometer=say_odometer(item.get("odometer")),
    )


def say_outcome(case: Case) -> str:
    """How it ended, in one line: the head of a case in a list."""
    attempts = case.get("attempts") or []
    if not attempts:
        return "No attempt recorded"
    outcome = case.get("outcome") or {}
    last = attempts[-1]
    name = LEVEL_NAMES.get(last["level"], last["level"])
    state, days = outcome.get("state"), outcome.get("held_days")
    if last["result"] == "not_fixed":
        return f"{name}: did not fix it"
    if state == "came_back":
        return f"{name}: came back" + (f", last seen good at {say_days(days)}" if days else "")
    if last["result"] == "no_fault_found":
        return "No fault found"
    if state in ("holding", "other_fault") and days:
        return f"{name}: still held at {say_days(days)}"
    if state == "gone":
        held = f" after {say_days(days)} of holding" if days else ""
        return f"{name}: sold or scrapped{held}"
    if last["result"] == "fixed":
        return f"{name}: fixed, not followed up yet"
    return f"{name}: outcome not known"


def outcome_rank(case: Case) -> int:
    attempts = case.get("attempts") or []
    return LEVEL_RANK.get(attempts[-1]["level"], 0) if attempts else 0


def say_steps(case: Case) -> str:
    """'after 2 attempts', where more than one was needed."""
    attempts = [a for a in case.get("attempts") or () if a["level"] != "none"]
    return f"after {say_count(len(attempts), 'attempt')}" if len(attempts) > 1 else ""
