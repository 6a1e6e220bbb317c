"""Shared cases and search requests as the plain mappings that `search.core` compares.

Both are brought to the same view, so that a case searched for by its own evidence scores 1: only
what was learned at intake, free text as the anonymiser leaves it, the odometer as the middle of
its band.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from typing import Any

from casebook.cases.documents import FindingDocument, SearchDocument, VehicleSeen
from casebook.cases.masking import mask_text
from casebook.cases.sharing import band_of, describe_finding
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.codes import describe_code
from casebook.vocabulary.makes import look_up_make
from casebook.vocabulary.normaliser import load_replacements
from casebook.vocabulary.vin import read_vin, tidy_vin
from search.core import Design, Scale

# What the anonymiser leaves where something stood: ⟨phone⟩ is not a word of the complaint.
_MARK = re.compile(r"⟨[^⟩]*⟩")


@lru_cache(maxsize=1)
def current_design() -> Design:
    """The design by today's vocabulary."""
    checks = load_vocabulary().checks.values()
    scales = {
        check.key: Scale(
            results=tuple(result.key for result in check.results)
            if check.kind == "ordinal"
            else (),
            centres=check.bins,
        )
        for check in checks
        if check.kind != "category"
    }
    return Design(replacements=load_replacements(), scales=scales)


def read_shared_case(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row of shared cases (see `rows.CASE_COLUMNS`) as a case of the core."""
    document = row["document"]
    vehicle, unit = document["vehicle"], document["unit"]
    return {
        "id": row["id"].hex,
        "complaint": _text(document["complaint"]),
        "codes": [_code(code["code"]) for code in document["codes"] if _at_intake(code)],
        "symptoms": [
            _symptom(item["symptom"], item["when"])
            for item in document["symptoms"]
            if _at_intake(item)
        ],
        "findings": [_finding(item) for item in document["findings"] if _at_intake(item)],
        "make": vehicle["make"],
        "model": vehicle["model"],
        "engine": vehicle["engine"],
        "drive": vehicle["drive"],
        "unit_kind": unit["kind"],
        "unit_family": unit["family"],
        "year": vehicle["year"],
        "age_years": _age(vehicle["year"], document["opened_in"]),
        "odometer_km": _middle(vehicle["odometer_band_km"]),
        "with_outcome": row["with_outcome"],
        "cluster": row["cluster"],
    }


def read_query(document: SearchDocument, *, today: date) -> dict[str, Any]:
    """A search request as a query of the core."""
    vehicle, unit = complete_vehicle(document.vehicle, today=today), document.unit
    odometer = vehicle.odometer
    return {
        "complaint": _text(mask_text(document.complaint).text),
        "codes": [_code(code.code) for code in document.codes if code.stage == "intake"],
        "symptoms": [
            _symptom(item.symptom, item.when)
            for item in document.symptoms
            if item.stage == "intake"
        ],
        "findings": [
            _finding(describe_finding(item)) | _as_given(item)
            for item in document.findings
            if item.stage == "intake"
        ],
        "make": vehicle.make,
        "model": vehicle.model,
        "engine": vehicle.engine,
        "drive": vehicle.drive,
        "unit_kind": unit.kind,
        "unit_family": unit.family,
        "age_years": _age(vehicle.year, f"{today:%Y-%m}"),
        "odometer_km": _middle(band_of(odometer.km if odometer else None)),
        "said": {
            "odometer_km": f"{odometer.value:.10g} {odometer.unit}" if odometer else "",
            "age_years": str(vehicle.year or ""),
        },
    }


def complete_vehicle(vehicle: VehicleSeen, *, today: date) -> VehicleSeen:
    """With what its VIN tells beyond doubt and nobody typed."""
    if not vehicle.vin:
        return vehicle
    told: dict[str, Any] = {}
    years = read_vin(vehicle.vin, today=today).years
    if vehicle.year is None and len(years) == 1:
        told["year"] = years[0]
    if not vehicle.make and not vehicle.model and (maker := look_up_make(tidy_vin(vehicle.vin))):
        told |= {"make": maker.make, "model": maker.model or ""}
    return vehicle.model_copy(update=told)


def _at_intake(item: Mapping[str, Any]) -> bool:
    return bool(item.get("stage", "intake") == "intake")


def _text(text: str) -> str:
    return _MARK.sub(" ", text)


@lru_cache(maxsize=20_000)
def _circuit(code: str) -> tuple[str, str]:
    about = describe_code(code)
    return about.family, about.subsystem or ""


def _code(text: str) -> dict[str, Any]:
    code, _, failure_type = text.partition("-")
    family, subsystem = _circuit(code)
    return {
        "code": code,
        "failure_type": failure_type or None,
        "family": family,
        "subsystem": subsystem,
    }


def _symptom(key: str, when: Any) -> dict[str, Any]:
    resolve = load_vocabulary().resolve
    return {
        "key": resolve("symptoms", key)[0],
        "when": [resolve("conditions", condition)[0] for condition in when],
    }


def _finding(item: Mapping[str, Any]) -> dict[str, Any]:
    found = {"check": load_vocabulary().resolve("checks", item["check"])[0]}
    if item.get("value") is not None:
        return found | {"value": float(item["value"])}
    return found | {"result": item["result"]}


def _as_given(item: FindingDocument) -> dict[str, str]:
    """A number in the unit that the user gave it in: explanations speak the user's words."""
    if item.value is None:
        return {}
    return {"said": f"{item.value:.10g} {item.unit or ''}".strip()}


def _age(year: int | None, month: str) -> float | None:
    """Whole years from the model year to a month ("2026-05"): a model year tells no more, and a
    case looked up in the year it was opened is then exactly like itself."""
    if year is None:
        return None
    return float(max(0, int(month[:4]) - year))


def _middle(band: list[int] | None) -> float | None:
    return None if band is None else (band[0] + band[1]) / 2
